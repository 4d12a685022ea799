package season

import (
	"cmp"
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/plan"
)

// want is a task with the window in which the shop can do it.
type want struct {
	plan.Task
	first, last civil.Date
	missed      string // why its own window cannot be kept; "" when it can
}

// draft is a visit before it has a week.
type draft struct {
	member *Member
	tasks  []want
	days   []civil.Date // on which it can begin, rising
	pin    civil.Date
	Visit
}

// drafts makes the visits of one coach: the tasks a shop does, their windows cut
// to the days on which the coach can come, and the fewest visits that hit all.
// What cannot be done within reach goes to another shop.
func (m *maker) drafts(x *Member) []draft {
	if x.Coach.Sold != 0 && x.Coach.Sold <= m.On {
		return nil
	}
	must, may := m.wants(x)
	if len(must) == 0 {
		return nil
	}
	near, far := m.days(x, must)
	var here, there []want
	for _, w := range must {
		if hits(near, w) || !hits(far, w) {
			here = append(here, w)
		} else {
			there = append(there, w)
		}
	}
	out := m.group(x, here, may, near, "")
	return append(out, m.group(x, there, nil, far, "far")...)
}

func hits(days []civil.Date, w want) bool {
	k, _ := slices.BinarySearch(days, w.first)
	return k < len(days) && days[k] <= w.last
}

// wants returns the tasks that must be done within the plan and those that may be
// done on the way.
func (m *maker) wants(x *Member) (must, may []want) {
	for _, t := range x.Tasks {
		if !m.Rules.Tasks[t.Kind].Shop {
			continue
		}
		for ; t.Earliest < m.end; t = m.again(t) {
			w := m.window(x, t)
			if t.Target < m.end || w.missed != "" {
				must = append(must, w)
			} else {
				may = append(may, w)
			}
			if t.Every == 0 {
				break
			}
		}
	}
	return must, may
}

// again is a task of regular care, due once more after it was done on its target,
// or as soon as can be when that has gone: what was missed is not made up for.
func (m *maker) again(t plan.Task) plan.Task {
	from := max(t.Target, m.On.Add(shop(m.Shop.Notice, m.Rules.Shop.Notice)))
	before, after := t.Earliest.DaysUntil(t.Target), t.Target.DaysUntil(t.Latest)
	t.Anchor, t.Mark = from, "again"
	t.Target = from.Add(max(t.Every, 30))
	t.Earliest, t.Latest = t.Target.Add(-before), t.Target.Add(after)
	t.Why = fmt.Sprintf("Due again every %d days after the one planned for %s.", t.Every, from.Long())
	return t
}

// grace is how long after the first possible day a task may be done whose own
// window has gone.
const grace = 28

// window returns when the shop can do a task: not before it has notice and the
// parts, not so early that life is wasted.
func (m *maker) window(x *Member, t plan.Task) want {
	w := want{Task: t, last: t.Latest}
	ready := m.On.Add(shop(m.Shop.Notice, m.Rules.Shop.Notice))
	if t.Kind == coach.SafetyStop {
		ready = m.On
	}
	why := "its latest day had passed"
	if wait := m.partsWait(x, t); m.On.Add(wait) > ready {
		ready, why = m.On.Add(wait), fmt.Sprintf("its profile takes %d days to come", wait)
	}
	w.first = max(t.Earliest, ready, t.Target.Add(-m.Rules.Shop.Pull.Days()))
	if t.Latest >= m.On && t.Latest < ready && why == "its latest day had passed" {
		why = "its latest day comes before anybody can be called in"
	}
	if w.first > w.last {
		w.first, w.last, w.missed = ready, ready.Add(grace), why
	}
	return m.warm(x, w)
}

// partsWait returns how many days the parts of a task take to be on the shelf.
func (m *maker) partsWait(x *Member, t plan.Task) (days int) {
	for _, p := range pieces(x.Coach, t) {
		days = max(days, m.lead(p.profile, true))
	}
	return days
}

// warm cuts the window of adhesive work to the months in which an unheated bay is
// warm enough: to the longest such stretch of it.
func (m *maker) warm(x *Member, w want) want {
	if m.Shop.Heated || !adhesive(x.Coach, w.Task) {
		return w
	}
	lows := m.Lows
	if lows == nil {
		lows = &x.Setting.Lows
	}
	least := m.Rules.Install.LeastTemp.Value
	ok := func(d civil.Date) bool { _, month, _ := d.YMD(); return lows[month-1] >= least }
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
	w.missed = fmt.Sprintf("no day of its window is warm enough for adhesive in an unheated bay (mean lows under %.0f °C)", least)
	for d := w.last; d < w.last+366; d++ {
		if ok(d) {
			w.first, w.last = d, d+grace
			break
		}
	}
	return w
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
	stay := int(hours/m.Rules.Shop.DayHours.Value) + cure // days after the first
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
		if !m.Shop.Opens(d.Weekday()) || let(x.Coach, d.Add(-travel), d.Add(stay+travel)) {
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

func (m *maker) cureDays() int { return int(m.Rules.Shop.CureHours.Value/24 + .99) }

func (m *maker) tooFar(s coach.Site) bool {
	return m.Shop.Site != nil && m.Shop.ReachKM > 0 && m.Shop.Site.KM(s) > m.Shop.ReachKM
}

// let reports whether a coach is booked on any day from first to last.
func let(c *coach.Coach, first, last civil.Date) bool {
	return slices.ContainsFunc(c.Bookings, func(b coach.Booking) bool { return b.From <= last && b.Until >= first })
}

// group makes the fewest visits for tasks over the days a coach can come. Windows
// and days are numbered by the days alone, so that every window is one run of
// numbers.
func (m *maker) group(x *Member, must, may []want, days []civil.Date, place string) []draft {
	if len(must) == 0 || len(days) == 0 {
		for _, w := range must {
			m.out.Late = append(m.out.Late, Late{x.Coach.ID, w.Task, 0, 0, "no day was found between the bookings that is long enough for the work and the way"})
		}
		return nil
	}
	spans := make([]span, len(must))
	for i := range must {
		w := &must[i]
		a, _ := slices.BinarySearch(days, w.first)
		b, _ := slices.BinarySearch(days, w.last+1)
		if a >= b { // no day of the window: the first one after it
			a = min(a, len(days)-1)
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
			m.fill(&d, may, place)
			out = append(out, d)
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
