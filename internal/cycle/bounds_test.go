package cycle

import (
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
)

// A likely date that moves by movedDays is an event, in either direction; a day less is
// none.
func TestMovedDates(t *testing.T) {
	was := civil.Of(2030, 6, 1)
	for _, c := range []struct {
		days int
		want int
	}{{0, 0}, {29, 0}, {30, 1}, {31, 1}, {-29, 0}, {-30, 1}, {-31, 1}} {
		b := before{likely: map[string]string{"s/outer/top/bulb": was.String()}}
		o := Outcome{Coach: "a", Forecasts: []projection.Forecast{{Run: "s/outer/top", Part: coach.Bulb,
			Likely: was.Add(c.days)}}}
		if got := len(b.changed(&o)); got != c.want {
			t.Errorf("moved by %d days: %d events, want %d", c.days, got, c.want)
		}
	}
}

// Work of today is due, not overdue; DueDays ahead it is due, and a day later in order.
func TestDueAndOverdue(t *testing.T) {
	today := civil.Of(2026, 3, 3)
	c := coach.Coach{ID: "a", Stays: []coach.Stay{{From: today - 100}}}
	for _, x := range []struct {
		days    int
		state   string
		overdue int
	}{{-1, Overdue, 1}, {0, Due, 0}, {1, Due, 0}, {DueDays, Due, 0}, {DueDays + 1, Fine, 0}} {
		o := Outcome{Coach: "a", Settled: true, Tasks: []plan.Task{{Kind: coach.Inspect, Target: today.Add(x.days)}}}
		if r := boardRow(Snapshot{Today: today}, &c, &o); r.State != x.state || r.Overdue != x.overdue {
			t.Errorf("aimed %d days ahead: %s, %d overdue, want %s, %d", x.days, r.State, r.Overdue, x.state, x.overdue)
		}
	}
}
