package plan

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wear"
	"sealmanac/internal/wording"
)

// slide adds the care of one slide: conditioning by run, inspection, water test
// and exercise for the whole slide. Runs on hold get none.
func (p *planner) slide(s *coach.Slide, forecasts []projection.Forecast) {
	care := p.rules.Bands[p.set.Band]
	var newest civil.Date
	longest := care.InspectMonths.Value * 30.4
	held := map[string]bool{}
	for i := range forecasts {
		f := &forecasts[i]
		if f.Slide != s.ID {
			continue
		}
		if !f.Hold.IsZero() {
			held[f.Run] = true
			continue
		}
		newest = max(newest, f.Fitted)
		if !f.Capped && f.Likely > p.on { // P is "begins to show", F is "due"
			longest = min(longest, wear.InspectionInterval(float64(f.Early.DaysUntil(f.Likely)), p.rules.Plan.Detection.Value,
				p.rules.Plan.Miss.Value))
		}
	}
	if newest == 0 {
		return
	}
	for i := range s.Runs {
		if r := &s.Runs[i]; !held[s.Address(*r)] && r.Fitted <= p.on {
			p.conditioning(s, r, care)
		}
	}
	p.inspection(s, newest, longest, care)
	p.afterEvents(s)
	p.warranty(s)
	if m := care.WaterMonths.Value; m > 0 {
		from, done := p.last(coach.WaterTest, s.ID, "")
		if !done {
			from = newest
		}
		t := Task{Kind: coach.WaterTest, Slide: s.ID, Run: string(s.ID), Anchor: from,
			Target: rulebook.IntervalMonths(from, m), Every: int(m * 30.4)}
		t.Why = p.interval(wording.Say("water test"), from, done, m)
		p.settle(&t, 30, 60)
	}
	p.exercise(s, newest)
}

// interval says why a task by interval is due.
func (p *planner) interval(what wording.Text, from civil.Date, done bool, m float64) wording.Text {
	if done {
		return wording.Say("The last %[1]s was on %[2]s; one is due every %[3]s for a coach like this (%[4]s).", what, from,
			months(m), p.set.BandWhy)
	}
	return wording.Say("No %[1]s is on record since the fitting on %[2]s; one is due every %[3]s for a coach like this "+
		"(%[4]s).", what, from, months(m), p.set.BandWhy)
}

// settle pulls a task of the whole slide before the season it falls in and adds
// it with a window of so many days before and after.
func (p *planner) settle(t *Task, before, after int) {
	// An opening that has passed cannot be met any more: the task keeps its own day.
	if open := p.set.Season.OpeningBefore(t.Target); open > p.on && p.set.Season.Holds(t.Target) {
		// else it would be done twice in a row
		if ready := open.Add(-p.rules.Plan.ReadyDays.Days()); t.Anchor.DaysUntil(ready) >= t.Anchor.DaysUntil(t.Target)/2 {
			t.Target = ready
			t.Why = t.Why.And("Moved ahead of the season that opens on %s.", open)
		}
	}
	if t.Kind == coach.WaterTest {
		p.outOfFrost(t)
	}
	t.Earliest, t.Latest = t.Target.Add(-before), t.Target.Add(after)
	p.tasks = append(p.tasks, *t)
}

// conditioning adds the next cleaning and conditioning of a run: by the band's
// interval, or its cycles when they come first; in storage it waits for the
// opening, and what would fall due in storage is done before it begins.
func (p *planner) conditioning(s *coach.Slide, r *coach.Run, care rulebook.Care) {
	from, done := p.last(coach.Lubricate, s.ID, r.Key())
	if done = done && from >= r.Fitted; !done {
		from = r.Fitted
	}
	t := Task{Kind: coach.Lubricate, Slide: s.ID, Run: s.Address(*r), Anchor: from}
	days := p.set.CareDays(p.rules)
	t.Target = from.Add(int(days + 0.5))
	what := wording.Say("cleaning and conditioning")
	if p.rules.As(coach.Lubricate, p.coach.Materials(t.Run)) == coach.Clean {
		what = wording.Say("cleaning")
	}
	t.Why = p.interval(what, from, done, days/30.4)
	if care.InSeasonOnly && !p.set.Season.IsZero() {
		p.inSeason(&t, from)
	}
	p.outOfFrost(&t)
	t.Earliest, t.Latest = t.Target.Add(-10), t.Target.Add(21)
	p.tasks = append(p.tasks, t)
}

// inSeason moves a conditioning that would fall due in storage: to just before
// storage when the last one is more than a month older than that, else to the
// opening.
func (p *planner) inSeason(t *Task, from civil.Date) {
	if p.set.Season.Holds(t.Target) {
		return
	}
	close := p.set.Season.Closes.LastUntil(t.Target)
	open := p.set.Season.Opens.NextFrom(t.Target)
	if from.DaysUntil(close) > 30 && p.on <= close {
		t.Target, t.Mark = close.Add(-7), "storage"
		t.Why = t.Why.And("Done before storage, which begins after %s.", close)
		return
	}
	t.Target, t.Mark = open.Add(-7), "opening"
	t.Why = t.Why.And("It can wait for the opening on %s.", open)
}

// inspection adds the next full look: a first check some weeks after a fitting,
// then the band's interval, never more than half the time a part takes from
// "begins to show" to "due".
func (p *planner) inspection(s *coach.Slide, newest civil.Date, longest float64, care rulebook.Care) {
	from, done := p.last(coach.Inspect, s.ID, "")
	if !done || from < newest {
		t := Task{Kind: coach.Inspect, Slide: s.ID, Run: string(s.ID), Anchor: newest, Mark: "first",
			Target: newest.Add(p.rules.Plan.FirstCheckDays.Days())}
		if p.on < t.Target.Add(90) {
			t.Why = wording.Say("A new seal was fitted on %s; the first weeks show lifted ends, corners and a wiper that "+
				"rolls under.", newest)
			t.Earliest, t.Latest = t.Target.Add(-7), t.Target.Add(21)
			p.tasks = append(p.tasks, t)
			return
		}
		from, done = newest, false
	}
	t := Task{Kind: coach.Inspect, Slide: s.ID, Run: string(s.ID), Anchor: from,
		Target: from.Add(int(max(30, longest) + 0.5)), Every: int(max(30, longest))}
	t.Why = p.interval(wording.Say("inspection"), from, done, max(30, longest)/30.4)
	p.settle(&t, 30, 45)
}

// exercise adds the next run-out-and-in of a room that hardly moves. Where the
// winter freezes it waits for the opening.
func (p *planner) exercise(s *coach.Slide, newest civil.Date) {
	if p.set.PerYear >= p.rules.Plan.IdleCycles.Value {
		return
	}
	from, done := p.last(coach.Exercise, s.ID, "")
	if !done {
		from = newest
	}
	t := Task{Kind: coach.Exercise, Slide: s.ID, Run: string(s.ID), Anchor: from,
		Target: from.Add(p.rules.Plan.ExerciseDays.Days())}
	t.Target = max(t.Target, p.on) // a missed run is not made up for
	t.Why = wording.Say("This room has hardly moved since %s; running it out and in once keeps bulb and wiper from "+
		"taking a set.", from)
	if p.set.Frost && !p.set.Season.IsZero() && !p.set.Season.Holds(t.Target) {
		open := p.set.Season.Opens.NextFrom(t.Target)
		t.Target = open
		t.Why = t.Why.And("It waits for the thaw, about %s: never move a frozen room.", open)
	}
	t.Earliest, t.Latest = t.Target.Add(-14), t.Target.Add(21)
	p.tasks = append(p.tasks, t)
}

// months says an interval in words: "6 weeks", "2 months", "1 year".
func months(m float64) wording.Text {
	switch {
	case m < 2.9 && m != float64(int(m+0.5)) && m*30.4 < 80 && (m < 1.9 || m > 2.1):
		return wording.Say("%.0f weeks", m*30.4/7)
	case m > 11.5 && m < 12.5:
		return wording.Say("year")
	case m > 23 && m < 25:
		return wording.Say("two years")
	default:
		return wording.Say("%.0f months", m)
	}
}
