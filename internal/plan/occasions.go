package plan

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/wording"
)

var eventWords = map[coach.EventKind]wording.Text{
	coach.Hail:       wording.Say("hail can cut a wiper or a topper"),
	coach.Storm:      wording.Say("wind and branches pull at seals and toppers"),
	coach.Freeze:     wording.Say("ice can tear a wiper or stick a bulb"),
	coach.Flood:      wording.Say("standing water carries grit under the bottom seal"),
	coach.TopperWork: wording.Say("fabric and rail were off the slide's top"),
}

// occasionDays is how long after an occasion a look for its sake is asked for.
const occasionDays = 120

// afterEvents adds a look after what happened to the coach or this slide, and
// after it moved to a place where it never stood before and ages faster, until an
// inspection has been made since.
func (p *planner) afterEvents(s *coach.Slide) {
	seen, done := p.last(coach.Inspect, s.ID, "")
	for _, e := range p.coach.Events {
		if e.Day > p.on || e.Day+occasionDays < p.on || e.Slide != "" && e.Slide != s.ID || done && seen >= e.Day {
			continue
		}
		p.tasks = append(p.tasks, Task{Kind: coach.Inspect, Slide: s.ID, Run: string(s.ID), Anchor: e.Day,
			Mark:     string(e.Kind),
			Earliest: e.Day, Target: max(e.Day.Add(7), p.on), Latest: max(e.Day.Add(28), p.on.Add(14)),
			Why: wording.Say("On %[1]s: %[2]s. A look at this slide tells whether it did.", e.Day, eventWords[e.Kind])})
	}
	for i := 1; i < len(p.coach.Stays); i++ {
		st := p.coach.Stays[i]
		if st.From > p.on || st.From+occasionDays < p.on || done && seen >= st.From || !p.harsher(i) {
			continue
		}
		p.tasks = append(p.tasks, Task{Kind: coach.Inspect, Slide: s.ID, Run: string(s.ID), Anchor: st.From, Mark: "climate",
			Earliest: st.From.Add(7), Target: max(st.From.Add(21), p.on), Latest: max(st.From.Add(45), p.on.Add(14)),
			Why: wording.Say("Since %[1]s the coach stands at %[2]s for the first time, and its seals age faster there. A "+
				"look sets the new baseline.", st.From, st.Site.Name)})
	}
}

// harsher reports whether stay i is at a place that is new to the coach and less
// sheltered, or more than a degree of latitude nearer the equator, than the last.
func (p *planner) harsher(i int) bool {
	now, before := p.coach.Stays[i], p.coach.Stays[i-1]
	for _, o := range p.coach.Stays[:i] {
		if o.Site.KM(now.Site) < 50 {
			return false
		}
	}
	rank := map[coach.Shelter]int{coach.Indoor: 0, coach.Carport: 1, coach.Open: 2}
	return rank[now.Shelter] > rank[before.Shelter] || now.Coastal && !before.Coastal ||
		abs(now.Site.Lat) < abs(before.Site.Lat)-1
}

func abs(x float64) float64 { return max(x, -x) }

// migration adds a look at the whole coach before it leaves for a place far away,
// while the shop it knows is still near.
func (p *planner) migration() {
	days := p.rules.Shop.Migration.Days()
	spans := exposure.Spans(p.coach.Stays, p.on, p.on+400)
	if p.coach.Use == coach.Rental || len(spans) < 2 {
		return
	}
	here, next := p.coach.Stays[spans[0].Stay], p.coach.Stays[spans[1].Stay]
	leave := spans[1].From.Day
	if here.Site.KM(next.Site) < p.rules.Shop.FarKM.Value || p.on < leave.Add(-3*days) || p.on > leave.Add(-7) {
		return
	}
	for i := range p.coach.Slides {
		s := &p.coach.Slides[i]
		if _, held := p.coach.DangerOn(s.ID, p.on); held {
			continue
		}
		if seen, done := p.last(coach.Inspect, s.ID, ""); done && seen.Add(3*days) >= leave {
			continue
		}
		p.tasks = append(p.tasks, Task{Kind: coach.Inspect, Slide: s.ID, Run: string(s.ID), Anchor: leave, Mark: "migration",
			Earliest: leave.Add(-2 * days), Target: min(max(p.on, leave.Add(-days)), leave.Add(-7)), Latest: leave.Add(-7),
			Ends: true,
			Why: wording.Say("The coach leaves %[1]s for %[2]s about %[3]s; what is found before then can be fixed before then.",
				here.Site.Name, next.Site.Name, leave)})
	}
}

// warranty adds a look before the first warranty of a slide's runs ends, or its
// claim has to be in.
func (p *planner) warranty(s *coach.Slide) {
	var first coach.Warranty
	end := civil.Date(0)
	for i := range s.Runs {
		w := s.Runs[i].Warranty
		last := w.Until
		if w.ClaimBy != 0 {
			last = min(last, w.ClaimBy)
		}
		if w.Until != 0 && last >= p.on && (end == 0 || last < end) {
			first, end = w, last
		}
	}
	if end == 0 || p.on.Add(400) < end {
		return
	}
	for _, kind := range []coach.TaskKind{coach.Inspect, coach.Warranted} {
		if seen, done := p.last(kind, s.ID, ""); done && seen.Add(60) >= end {
			return
		}
	}
	why := wording.Say("The warranty of this slide's seals ends on %s.", first.Until)
	if first.ClaimBy != 0 {
		why = why.And("A claim must be in by %s.", first.ClaimBy)
	}
	p.tasks = append(p.tasks, Task{Kind: coach.Warranted, Slide: s.ID, Run: string(s.ID), Anchor: first.Until, Ends: true,
		Earliest: end.Add(-60), Target: max(p.on, end.Add(-28)), Latest: end,
		Why: why.And("Found in time, a fault is the supplier's.")})
}
