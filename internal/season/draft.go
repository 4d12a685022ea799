package season

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/plan"
	"sealmanac/internal/wording"
)

// want is a task with the window in which the shop can do it.
type want struct {
	plan.Task
	first, last civil.Date
	missed      string     // why its own window cannot be kept; "" when it can
	held        civil.Date // its day in an earlier plan; 0: it had none
}

// draft is a visit before it has a week.
type draft struct {
	member *Member
	tasks  []want
	days   []civil.Date // on which it can begin, rising
	all    []civil.Date // on which the coach can come at all
	pin    civil.Date
	Visit
}

// drafts makes the visits of one coach: the tasks a shop does, their windows cut
// to the days on which the coach can come, and the fewest visits that hit all.
// What cannot be done within reach goes to another shop.
func (m *maker) drafts(x *Member) []draft {
	must, may := m.wants(x)
	if len(must) == 0 {
		return nil
	}
	near, far := m.days(x, must)
	var here, there []want
	for _, w := range must {
		a, b := from(near, w.first), from(far, w.first)
		if hits(near, w) || !hits(far, w) && a != 0 && (b == 0 || a <= b) || a == 0 && b == 0 {
			here = append(here, w)
		} else {
			there = append(there, w)
		}
	}
	out := append(m.merge(x, m.group(x, here, may, near, ""), may, near), m.group(x, there, nil, far, "far")...)
	for i := range out {
		out[i].all = near
	}
	return out
}

// closeDays is how near the next visit may be for one that is late anyway to wait
// for it.
const closeDays = 14

// merge lets a visit whose tasks are all late anyway wait for the next one when
// that is close: nobody brings a coach twice in a fortnight for nothing.
func (m *maker) merge(x *Member, in []draft, may []want, days []civil.Date) (out []draft) {
	for _, b := range in {
		n := len(out)
		if n > 0 && !slices.ContainsFunc(out[n-1].tasks, func(w want) bool { return w.missed == "" || w.held != 0 }) {
			if both, ok := m.both(&out[n-1], &b, may, days); ok && out[n-1].First.DaysUntil(both.First) <= closeDays {
				out[n-1] = both
				continue
			}
		}
		out = append(out, b)
	}
	return out
}

// both is one visit instead of two, in the window of the later one; what would be
// done twice is done once.
func (m *maker) both(a, b *draft, may []want, days []civil.Date) (draft, bool) {
	out := draft{member: a.member}
	first, latest := civil.Date(0), civil.Date(1<<30)
	for _, w := range b.tasks {
		if w.Mark == "again" && slices.ContainsFunc(a.tasks, func(o want) bool {
			return o.Kind == w.Kind && o.Run == w.Run
		}) {
			continue
		}
		out.tasks = append(out.tasks, w)
		first, latest = max(first, w.first), min(latest, w.last)
	}
	if len(out.tasks) == 0 { // only repetitions: the later visit is the earlier one, done late
		first, latest = b.First, b.Latest
	}
	out.tasks = slices.Concat(a.tasks, out.tasks)
	first = max(first, a.First)
	at, _ := slices.BinarySearch(days, first)
	if at >= len(days) {
		return out, false
	}
	out.days, out.First, out.Latest, out.all = days[at:], days[at], max(latest, days[at]), days
	return out, m.fill(&out, may, "")
}

func hits(days []civil.Date, w want) bool {
	k, _ := slices.BinarySearch(days, w.first)
	return k < len(days) && days[k] <= w.last
}

// from returns the first of some days on or after d; 0 when there is none.
func from(days []civil.Date, d civil.Date) civil.Date {
	if k, _ := slices.BinarySearch(days, d); k < len(days) {
		return days[k]
	}
	return 0
}

// wants returns the tasks that must be done within the plan and those that may be
// done on the way.
func (m *maker) wants(x *Member) (must, may []want) {
	for _, t := range x.Tasks {
		if !m.Rules.Tasks[t.Kind].Shop {
			continue
		}
		days := m.held[heldKey{x.Coach.ID, t.Kind, t.Run}]
		for n := 0; t.Earliest < m.end; n, t = n+1, m.again(t) {
			held := civil.Date(0)
			if n < len(days) {
				held = days[n]
			}
			w := m.window(x, t, held)
			switch {
			case t.Ends && w.missed != "":
				m.out.Late = append(m.out.Late, Late{x.Coach.ID, t, 0, 0, "there is no time left for it: " + w.missed})
			case w.first >= m.end:
			case t.Target < m.end || w.missed != "":
				must = append(must, w)
			default:
				may = append(may, w)
			}
			if t.Every == 0 {
				break
			}
		}
	}
	return m.once(x, must), may
}

// once drops what a whole new seal on the same run makes needless: its bulb and
// its adhesive.
func (m *maker) once(x *Member, must []want) []want {
	whole := map[string]bool{}
	for _, w := range must {
		whole[w.Run] = whole[w.Run] || w.Kind == coach.ReplaceSeal || w.Kind == coach.Refit
	}
	return slices.DeleteFunc(must, func(w want) bool {
		drop := whole[w.Run] && (w.Kind == coach.ReplaceBulb || w.Kind == coach.Rebond)
		if drop {
			m.needless[taskOf{x.Coach.ID, w.Key()}] = true
		}
		return drop
	})
}

// again is a task of regular care, due once more after it was done on its target,
// or as soon as can be when that has gone: what was missed is not made up for.
func (m *maker) again(t plan.Task) plan.Task {
	from := max(t.Target, m.On.Add(shop(m.Shop.Notice, m.Rules.Shop.Notice)))
	before, after := t.Earliest.DaysUntil(t.Target), t.Target.DaysUntil(t.Latest)
	t.Anchor, t.Mark = from, "again"
	t.Target = from.Add(max(t.Every, 30))
	t.Earliest, t.Latest = t.Target.Add(-before), t.Target.Add(after)
	t.Why = wording.Say("Due again every %d days, counted from the one planned before it.", t.Every)
	return t
}

// grace is how long after the first possible day a task may be done whose own
// window has gone.
const grace = 28

// window returns when the shop can do a task: not before it has notice and the
// parts, not so early that life is wasted.
//
// A day of an earlier plan is kept: notice was given and the parts were ordered
// then, so that overdue work does not recede from day to day.
func (m *maker) window(x *Member, t plan.Task, held civil.Date) want {
	w := want{Task: t, last: t.Latest, held: held}
	ready := m.On.Add(shop(m.Shop.Notice, m.Rules.Shop.Notice))
	if t.Kind == coach.SafetyStop {
		ready = m.On
	}
	why := "its latest day had passed"
	if wait := m.partsWait(x, t); m.On.Add(wait) > ready {
		ready, why = m.On.Add(wait), fmt.Sprintf("its profile takes %d days to come", wait)
	}
	if held != 0 {
		ready = min(ready, held)
	}
	w.first = max(t.Earliest, ready, t.Target.Add(-m.Rules.Shop.Pull.Days()))
	if t.Latest >= m.On && t.Latest < ready && why == "its latest day had passed" {
		why = "its latest day comes before anybody can be called in"
	}
	if w.first > w.last {
		w.first, w.last, w.missed = ready, ready.Add(grace), why
	}
	w = m.warm(x, w)
	if week := held.Monday() + 6; held >= w.first && held <= w.last {
		w.last = min(w.last, week) // it stays with its visit; other work may join it there
	}
	return w
}

// partsWait returns how many days the parts of a task take to be on the shelf.
func (m *maker) partsWait(x *Member, t plan.Task) (days int) {
	for _, p := range pieces(x.Coach, t) {
		days = max(days, m.wait(p))
	}
	return days
}

// warm cuts the window of adhesive work to the months in which an unheated bay is
// warm enough: to the longest such stretch of it.
func (m *maker) warm(x *Member, w want) want {
	if m.Shop.Heated || !adhesive(x.Coach, w.Task) {
		return w
	}
	least, most := m.Rules.Install.LeastTemp.Value, slices.Max(m.lows(x)[:])
	ok := m.warmDays(x)
	var best span
	for d := w.first; d <= w.last; d++ {
		if !ok(d) {
			continue
		}
		from := d
		for d < w.last && ok(d+1) {
			d++
		}
		if best.last == 0 || int(d-from) > best.last-best.first {
			best = span{int(from), int(d)}
		}
	}
	if best.last > 0 {
		w.first, w.last = civil.Date(best.first), civil.Date(best.last)
		return w
	}
	w.missed = fmt.Sprintf("no day of its window is warm enough for adhesive in an unheated bay (mean lows under %.0f °C)",
		least)
	for d := w.last; d < w.last+366; d++ {
		if ok(d) {
			w.first, w.last = d, d+grace
			break
		}
	}
	if most >= least {
		m.problem("%s: some adhesive work cannot be done in its window, which has no day with mean lows of %.0f °C at an "+
			"unheated bay", x.Coach.ID, least)
	}
	return w
}

// lows are the mean daily minima at the shop, or where the coach stands when the
// shop gave no place.
func (m *maker) lows(x *Member) *[12]float64 {
	if m.Lows != nil {
		return m.Lows
	}
	return &x.Setting.Lows
}

// warmDays reports whether a day is warm enough for adhesive work here. Where no
// month is, the warmest ones are taken and it is said.
func (m *maker) warmDays(x *Member) func(civil.Date) bool {
	lows, least := m.lows(x), m.Rules.Install.LeastTemp.Value
	if most := slices.Max(lows[:]); most < least && !m.Shop.Heated {
		m.problem("%s: no month has mean lows of %.0f °C where adhesive work is to be done (the warmest has %.1f): heat "+
			"the bay (heated: yes), or look for a warm day yourself", x.Coach.ID, least, most)
		least = most - 1
	}
	return func(d civil.Date) bool {
		_, month, _ := d.YMD()
		return m.Shop.Heated || lows[month-1] >= least
	}
}

// days returns the days on which a coach can begin a visit here, and at another
// shop: working days between its bookings with time to travel, work and cure.
func (m *maker) days(x *Member, must []want) (near, far []civil.Date) {
	hours, cure := 0.0, 0
	for _, w := range must {
		_, high, _ := m.hours(x, []want{w})
		hours = max(hours, high)
		if adhesive(x.Coach, w.Task) {
			cure = m.cureDays()
		}
	}
	travel := m.travel()
	spans := exposure.Spans(x.Coach.Stays, m.On, m.end+400)
	k := 0
	near = make([]civil.Date, 0, m.On.DaysUntil(m.end)*5/7+60)
	for d := m.On; d < m.end+400; d++ {
		if d > m.end+60 && max(last(near), last(far)) >= m.end {
			break // nothing later is looked at once there is a day after the plan
		}
		for k+1 < len(spans) && spans[k].Until.Day <= d {
			k++
		}
		if !m.Shop.Opens(d.Weekday()) || let(x.Coach, d.Add(-travel), m.leaves(d, hours, cure).Add(travel)) {
			continue
		}
		if len(spans) > 0 && m.tooFar(x.Coach.Stays[spans[k].Stay].Site) {
			far = append(far, d)
		} else {
			near = append(near, d)
		}
	}
	return near, far
}

func last(days []civil.Date) civil.Date {
	if len(days) == 0 {
		return 0
	}
	return days[len(days)-1]
}

// leaves returns the last day of a visit: so many working days of the shop, then
// the time to cure.
func (m *maker) leaves(d civil.Date, hours float64, cure int) civil.Date {
	for n := int(math.Ceil(hours/m.Rules.Shop.DayHours.Value)) - 1; n > 0; {
		if d++; m.Shop.Opens(d.Weekday()) {
			n--
		}
	}
	return d.Add(cure)
}

func (m *maker) cureDays() int { return int(m.Rules.Shop.CureHours.Value/24 + .99) }

func (m *maker) tooFar(s coach.Site) bool {
	return m.Shop.Site != nil && m.Shop.ReachKM > 0 && m.Shop.Site.KM(s) > m.Shop.ReachKM
}

// let reports whether a coach is booked on any day from first to last.
func let(c *coach.Coach, first, last civil.Date) bool {
	return slices.ContainsFunc(c.Bookings, func(b coach.Booking) bool { return b.From <= last && b.Until >= first })
}

const noGap = "no day was found between the bookings that is long enough for the work and the way"

// group makes the fewest visits for tasks over the days a coach can come. Windows
// and days are numbered by the days alone, so that every window is one run of
// numbers.
func (m *maker) group(x *Member, must, may []want, days []civil.Date, place string) []draft {
	must = slices.DeleteFunc(must, func(w want) bool {
		if from(days, w.first) != 0 {
			return false
		}
		m.out.Late = append(m.out.Late, Late{x.Coach.ID, w.Task, 0, 0, noGap})
		return true
	})
	if len(must) == 0 {
		return nil
	}
	spans := make([]span, len(must))
	for i := range must {
		w := &must[i]
		a, _ := slices.BinarySearch(days, w.first)
		b, _ := slices.BinarySearch(days, w.last+1)
		if a >= b { // no day of the window: the first one after it
			b = a + 1
			w.missed = cmp.Or(w.missed, "no gap of its window is long enough for the work and the way")
		}
		spans[i] = span{a, b - 1}
	}
	points := stab(spans)
	groups := make([]draft, len(points))
	ranges := make([]span, len(points))
	for i := range ranges {
		ranges[i] = span{0, len(days) - 1}
	}
	for i, w := range must {
		k := nearest(points, spans[i], days, w.Target)
		groups[k].tasks = append(groups[k].tasks, w)
		ranges[k] = span{max(ranges[k].first, spans[i].first), min(ranges[k].last, spans[i].last)}
	}
	var out []draft
	for k := range groups {
		if d := groups[k]; len(d.tasks) > 0 {
			d.member, d.days = x, days[ranges[k].first:]
			d.First, d.Latest = days[ranges[k].first], days[ranges[k].last]
			if m.fill(&d, may, place) {
				out = append(out, d)
			}
		}
	}
	return out
}

// nearest returns which of the points inside a span is closest to a task's target.
func nearest(points []int, s span, days []civil.Date, target civil.Date) int {
	best, far := -1, 0
	for k, p := range points {
		if p < s.first || p > s.last {
			continue
		}
		d := days[p].DaysUntil(target)
		if d = max(d, -d); best < 0 || d < far {
			best, far = k, d
		}
	}
	return best
}
