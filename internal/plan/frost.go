package plan

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// outOfFrost moves a task that needs water to the nearest day on which nights do not
// typically freeze where the coach stands in the open: ahead of the frost, when there is
// time and it would not be done twice in a row, else after it.
func (p *planner) outOfFrost(t *Task) {
	if !p.freezes() {
		return
	}
	frozen := p.frozen(min(t.Target, p.on)-1, max(t.Target, p.on)+400)
	thaw := func(d civil.Date) civil.Date {
		for end := d + 366; d < end; d++ {
			if !frozen(d) {
				return d
			}
		}
		return 0 // it never thaws
	}
	wait := func(from civil.Date) {
		if d := thaw(from); d != 0 {
			t.Target, t.Why = d, t.Why.And("It waits for the end of the frost.")
		}
	}
	if frozen(t.Target) {
		first := max(p.on, t.Anchor.Add(t.Anchor.DaysUntil(t.Target)/2))
		before := t.Target
		for before >= first && frozen(before) {
			before--
		}
		if after := thaw(t.Target); before >= first &&
			(after == 0 || before.DaysUntil(t.Target) <= t.Target.DaysUntil(after)) {
			t.Target, t.Why = before, t.Why.And("Moved ahead of the frost.")
		} else if after >= p.on {
			wait(t.Target)
		} else if after != 0 {
			t.Target = after // it could have been done since
		}
	}
	if t.Target < p.on && frozen(p.on) {
		wait(p.on)
	}
}

// frozen returns whether nights typically freeze on a day of a period where the coach
// stands, when that is not indoors.
func (p *planner) frozen(from, until civil.Date) func(civil.Date) bool {
	stands := coach.Stands(p.coach.Stays, from, until)
	return func(d civil.Date) bool {
		for _, s := range stands {
			if s.From <= d && d < s.Until {
				return p.coach.Stays[s.Stay].Shelter != coach.Indoor && p.set.Places[s.Stay].Normals.Night(d) < 0
			}
		}
		return false
	}
}

// freezes reports whether nights freeze at any place of the coach in the open.
func (p *planner) freezes() bool {
	for i, x := range p.set.Places {
		for m := range x.Normals.Months {
			if x.Normals.Months[m].Tmin < 0 && p.coach.Stays[i].Shelter != coach.Indoor {
				return true
			}
		}
	}
	return false
}
