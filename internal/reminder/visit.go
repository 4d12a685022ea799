package reminder

import (
	"cmp"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

// pinReach is how long after an agreed day a task of the shop may be aimed at and
// still be taken for a part of that visit.
const pinReach = 90

// pinned reports whether a day is agreed on which the shop does a task of a coach.
func pinned(r *rulebook.Rulebook, pins []coach.Pin, c coach.ID, k coach.TaskKind, target, today civil.Date) bool {
	if !r.Tasks[k].Shop || k == coach.SafetyStop || k == coach.BookedVisit {
		return false
	}
	return slices.ContainsFunc(pins, func(p coach.Pin) bool { return does(r, p, c, k, target, today) })
}

// does reports whether the visit of a pin takes in a task of a coach.
func does(r *rulebook.Rulebook, p coach.Pin, c coach.ID, k coach.TaskKind, target, today civil.Date) bool {
	if p.Coach != c || p.Day < today {
		return false
	}
	return p.Task == k || p.Task == "" && r.Tasks[k].Shop && target <= p.Day+pinReach
}

// Visits returns a task for each day that is agreed for a coach, today or later,
// by day.
func Visits(c coach.ID, pins []coach.Pin, today civil.Date) (out []plan.Task) {
	for _, p := range pins {
		if p.Coach != c || p.Day < today {
			continue
		}
		out = append(out, plan.Task{Kind: coach.BookedVisit, Anchor: p.Day, Mark: string(p.Task), Earliest: p.Day,
			Target: p.Day, Latest: p.Day, Ends: true, Why: wording.Say("This day is agreed with the shop.")})
	}
	slices.SortStableFunc(out, func(a, b plan.Task) int { return cmp.Compare(a.Target, b.Target) })
	return out
}

// planned returns what is done on an agreed day, by kind, as far as it is known.
func (in *Input) planned(day civil.Date) []also {
	var out []also
	w := in.words
	groups := map[coach.TaskKind][]candidate{}
	var order []coach.TaskKind
	done := func(t *plan.Task) bool {
		return t.Kind != coach.SafetyStop && t.Kind != coach.BookedVisit &&
			slices.ContainsFunc(in.Pins, func(p coach.Pin) bool {
				return p.Day == day && does(in.Rules, p, in.Coach.ID, t.Kind, t.Target, in.Today)
			})
	}
	for i := range in.Tasks {
		t := &in.Tasks[i]
		twice := func(a plan.Task) bool { return a.Run == t.Run && takesIn(&a, t) && done(&a) }
		if !done(t) || slices.ContainsFunc(in.Tasks, twice) {
			continue
		}
		if groups[t.Kind] == nil {
			order = append(order, t.Kind)
		}
		groups[t.Kind] = append(groups[t.Kind], candidate{task: t})
	}
	for _, k := range order {
		out = append(out, also{Title: w.T(WorkWords[k].String()), Where: in.where(groups[k])})
	}
	return out
}

// agreed reports whether a person's consent to mail is recorded.
func agreed(p *coach.Person) bool {
	_, ok := p.Agreed(coach.ByMail)
	return ok
}

// agreed says the day of a visit, with its time if one was agreed.
func (in *Input) agreed(t *plan.Task) string {
	for _, p := range in.Pins {
		if p.Coach == in.Coach.ID && p.Day == t.Target && string(p.Task) == t.Mark && p.At > 0 {
			return in.words.T("on %[1]s at %02[2]d:%02[3]d", t.Target, p.At/60, p.At%60)
		}
	}
	return in.words.T("on %s", t.Target)
}
