package season

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/level"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
)

// runOf finds a task's slide and run; the run is nil for work on a whole slide.
func runOf(c *coach.Coach, t plan.Task) (*coach.Slide, *coach.Run) {
	for i := range c.Slides {
		s := &c.Slides[i]
		if s.ID != t.Slide {
			continue
		}
		for j := range s.Runs {
			if s.Address(s.Runs[j]) == t.Run {
				return s, &s.Runs[j]
			}
		}
		return s, nil
	}
	return nil, nil
}

// fits reports whether a kind of task puts something new on a run.
func fits(k coach.TaskKind) bool {
	switch k {
	case coach.ReplaceBulb, coach.ReplaceSeal, coach.Rebond, coach.Refit:
		return true
	}
	return false
}

// adhesive reports whether a task needs a warm, dry bay and time to cure.
func adhesive(c *coach.Coach, t plan.Task) bool {
	_, r := runOf(c, t)
	return r != nil && fits(t.Kind) && (t.Kind == coach.Rebond || r.Construction == coach.PeelStick ||
		r.Construction == coach.Bonded)
}

// jobKey is one piece of work on one face of a slide.
type jobKey struct {
	slide coach.SlideID
	face  coach.Position
	work  string
}

// hours returns the range of hours of some tasks and their middle by skill. Work
// is counted once for each slide, or face of it; changing less than a whole face
// takes its share of the length, though never less than the least share.
func (m *maker) hours(x *Member, tasks []want) (low, high float64, need level.Hours) {
	share := map[jobKey]float64{}
	var order []jobKey
	add := func(s *coach.Slide, face coach.Position, work string, part float64) {
		k := jobKey{s.ID, face, work}
		if _, ok := share[k]; !ok {
			order = append(order, k)
		}
		share[k] = min(1, share[k]+part)
	}
	for _, t := range tasks {
		s, r := runOf(x.Coach, t.Task)
		if s == nil {
			continue
		}
		if r == nil || !fits(t.Kind) {
			add(s, "", inspectionWork(t.Kind), 1)
			continue
		}
		part := lengthShare(s, r)
		for _, w := range works(t.Kind, r) {
			if w == rulebook.WorkRoomOut {
				part = 1
			}
			add(s, r.Position, w, part)
		}
		if s.Topper && r.Side == coach.Top && r.Position == coach.Outer {
			add(s, "", rulebook.WorkTopper, 1)
		}
	}
	for _, k := range order {
		w := m.Rules.Work[k.work]
		lo, hi := w.Low.Value, w.High.Value
		if own, ok := m.Shop.Work[k.work]; ok {
			lo, hi = own[0], own[1]
		}
		part := max(share[k], m.Rules.Shop.LeastShare.Value)
		low, high = low+lo*part, high+hi*part
		need[slices.Index(coach.Skills, w.Skill)] += (lo + hi) / 2 * part
	}
	return low, high, need
}

func inspectionWork(k coach.TaskKind) string {
	if k == coach.WaterTest {
		return rulebook.WorkHose
	}
	return rulebook.WorkInspection
}

// works returns the kinds of work that renew a run.
func works(k coach.TaskKind, r *coach.Run) (out []string) {
	switch {
	case k == coach.ReplaceBulb:
		return []string{rulebook.WorkBulb}
	case r.Construction == coach.Bonded:
		out = []string{rulebook.WorkBonded, rulebook.WorkRemoval}
	case r.Construction == coach.PeelStick || k == coach.Rebond:
		out = []string{rulebook.WorkPeel, rulebook.WorkRemoval}
	case r.Construction == coach.Track:
		out = []string{rulebook.WorkTrack}
	default:
		out = []string{rulebook.WorkPushOn}
	}
	if r.Position == coach.Inner {
		out = append(out, rulebook.WorkRoomOut)
	}
	return out
}

// lengthShare is a run's part of the length of its face; equal parts where the
// slide was not measured.
func lengthShare(s *coach.Slide, r *coach.Run) float64 {
	sum, n := 0.0, 0.0
	for _, o := range s.Runs {
		if o.Position == r.Position {
			sum, n = sum+float64(s.Length(o)), n+1
		}
	}
	if sum == 0 || s.Length(*r) == 0 {
		return 1 / max(1, n)
	}
	return float64(s.Length(*r)) / sum
}

// fill completes a draft: what is done, what is offered, how long it takes, and on
// which days all of it fits between the bookings. It returns false when on none.
func (m *maker) fill(d *draft, may []want, place string) bool {
	x := d.member
	d.whole()
	if !m.wholeDays(d) {
		return false
	}
	weight := func(k coach.TaskKind) int { return m.Rules.Tasks[k].Weight }
	slices.SortStableFunc(d.tasks, func(a, b want) int {
		return cmp.Or(cmp.Compare(a.Slide, b.Slide), cmp.Compare(weight(a.Kind), weight(b.Kind)), cmp.Compare(a.Run, b.Run))
	})
	d.Coach, d.Label, d.Best = x.Coach.ID, x.Coach.Name(), d.Latest
	for _, w := range d.tasks {
		d.Tasks = append(d.Tasks, w.Task)
		d.Best = min(d.Best, max(w.Target, d.First))
	}
	for _, w := range may {
		if w.first <= d.Latest && w.last >= d.First && !slices.ContainsFunc(d.Offers, func(o plan.Task) bool {
			return o.Key() == w.Key()
		}) {
			d.Offers = append(d.Offers, w.Task)
		}
	}
	d.why()
	m.notes(d)
	if place != "" {
		d.Partner = m.partner(x, d.First)
	}
	return true
}

// wholeDays keeps the days on which the whole visit fits: long enough, and warm
// enough for adhesive.
func (m *maker) wholeDays(d *draft) bool {
	x, travel, cure := d.member, m.travel(), 0
	d.Low, d.High, d.Need = m.hours(x, d.tasks)
	warm := func(civil.Date) bool { return true }
	if slices.ContainsFunc(d.tasks, func(w want) bool { return adhesive(x.Coach, w.Task) }) {
		cure, warm = m.cureDays(), m.warmDays(x)
	}
	d.days = slices.DeleteFunc(slices.Clone(d.days), func(day civil.Date) bool {
		return !warm(day) || let(x.Coach, day.Add(-travel), m.leaves(day, d.High, cure).Add(travel))
	})
	if len(d.days) == 0 {
		for _, w := range d.tasks {
			m.out.Late = append(m.out.Late, Late{x.Coach.ID, w.Task, 0, 0, noGap})
		}
		return false
	}
	if d.days[0] > d.Latest {
		for i := range d.tasks {
			d.tasks[i].missed = cmp.Or(d.tasks[i].missed, "no gap of its window is long enough for the whole visit")
		}
		d.Latest = d.days[0]
	}
	d.First = max(d.First, d.days[0])
	return true
}

// whole notes where the bulb alone will do.
func (d *draft) whole() {
	var alone []string
	for _, t := range d.tasks {
		if t.Kind == coach.ReplaceBulb {
			alone = append(alone, t.Run)
		}
	}
	if len(alone) > 0 {
		d.Notes = append(d.Notes, "bulb only at "+strings.Join(alone,
			", ")+": offer it before a whole seal; track and wiper stay")
	}
}

func (d *draft) why() {
	lead := d.tasks[0]
	for _, w := range d.tasks {
		if w.Target < lead.Target || w.Kind == coach.SafetyStop {
			lead = w
		}
	}
	d.Why = lead.Why.String()
	if n := len(d.tasks) - 1; n > 0 {
		d.Why += fmt.Sprintf(" %d more on the same visit.", n)
	}
}

// notes adds what belongs to the same visit: topper, corners, time to cure.
func (m *maker) notes(d *draft) {
	toppers, corners, cure := map[string]bool{}, 0, false
	for _, w := range d.tasks {
		s, r := runOf(d.member.Coach, w.Task)
		if r == nil || !fits(w.Kind) {
			continue
		}
		if s.Topper && r.Side == coach.Top && r.Position == coach.Outer && !toppers[s.Name()] {
			toppers[s.Name()] = true
			d.Notes = append(d.Notes, "topper of the "+s.Name()+" off and on by a trained person; look at fabric and rail")
		}
		if w.Kind != coach.ReplaceBulb && (r.Side == coach.Top || r.Side == coach.Bottom) {
			corners += 2
		}
		cure = cure || adhesive(d.member.Coach, w.Task)
	}
	if corners > 0 {
		d.Notes = append(d.Notes, fmt.Sprintf("%d corners on the same visit, with corner sealant as the seal's maker says",
			corners))
	}
	if cure {
		d.Notes = append(d.Notes, fmt.Sprintf("adhesive: bay and panel at %.0f °C or more, the rooms do not move for %.0f "+
			"h, no hose test before", m.Rules.Install.LeastTemp.Value, m.Rules.Shop.CureHours.Value))
	}
}

// partner names the other shop closest to where a coach stands on a day.
func (m *maker) partner(x *Member, on civil.Date) string {
	spans := exposure.Spans(x.Coach.Stays, on, on+1)
	if len(spans) == 0 {
		return "a shop near the coach"
	}
	st := x.Coach.Stays[spans[0].Stay]
	best, km := "", 0.0
	for _, p := range m.Shop.Partners {
		if d := p.Site.KM(st.Site); best == "" || d < km {
			best, km = p.Name, d
		}
	}
	if best == "" || m.Shop.ReachKM > 0 && km > m.Shop.ReachKM {
		return "a shop near " + st.Site.Name
	}
	return best
}
