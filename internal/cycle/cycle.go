// Package cycle is one evaluation pass: from what is known about an account on a
// day to forecasts, tasks and notices. A newcomer starts here.
//
// Evaluate is pure; Pass loads a snapshot from the store, evaluates it and saves
// the result in one transaction. It may import everything below row 7. The
// daemon, desk, explain, rehearse, the golden tests and the benchmarks call it.
package cycle

import (
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/wording"
)

// Tools are the parts of a pass that do not change from day to day.
type Tools struct {
	Engine *projection.Engine
	Atlas  *exposure.Atlas
	Links  reminder.Linker // nil: messages carry no links
	Domain string          // right side of Message-IDs
	// CareDays, when positive, is how often the seals are assumed to be conditioned
	// from the day of the pass on, instead of as the band asks.
	CareDays float64
	Words    *wording.Catalogue // languages of messages; nil: English
}

// Member is a coach with what is remembered about it.
type Member struct {
	Coach   coach.Coach
	Past    []reminder.Past
	Answers []reminder.Answer
	Calls   []reminder.Call
}

// Snapshot is everything one pass needs, as values.
type Snapshot struct {
	Account  coach.Account
	Today    civil.Date
	Now      time.Time // the instant of the pass, for sending hours; zero: the start of Today
	Members  []Member
	OptedOut map[string]bool // by e-mail address, lower case
	Bad      map[string]bool // addresses that do not work
	Workshop *coach.Workshop // nil: nothing is known of the shop
}

// Outcome is the result for one coach.
type Outcome struct {
	Coach      coach.ID
	Setting    plan.Setting
	Settled    bool // false: the coach has no stay yet, nothing can be dated
	Forecasts  []projection.Forecast
	Tasks      []plan.Task
	Notices    []reminder.Notice
	Suppressed []reminder.Suppressed
}

// Result is what one pass found, by coach, in the snapshot's order.
type Result struct {
	Outcomes []Outcome
}

// Evaluate is the program in a few lines. It reads no clock and no database:
// the same snapshot and rulebook give the same result, byte for byte. Coaches do not
// influence each other, so all processors share them.
func Evaluate(t Tools, in Snapshot) Result {
	res := Result{Outcomes: make([]Outcome, len(in.Members))}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range in.Members {
		g.Go(func() error {
			res.Outcomes[i] = t.coach(&in, &in.Members[i])
			return nil
		})
	}
	_ = g.Wait() // nothing fails
	return res
}

func (t Tools) coach(in *Snapshot, m *Member) Outcome {
	o := t.Assess(&m.Coach, in.Today)
	if !o.Settled {
		return o
	}
	tasks, pins := o.Tasks, in.Workshop.Agreed()
	if visits := reminder.Visits(m.Coach.ID, pins, in.Today); len(visits) > 0 {
		tasks = append(visits, o.Tasks...)
	}
	o.Notices, o.Suppressed = reminder.Due(reminder.Input{
		Account: &in.Account, Coach: &m.Coach, Tasks: tasks, Pins: pins, Words: t.Words, Past: m.Past, Answers: m.Answers,
		Calls: m.Calls,
		OptedOut: func(email string) bool {
			return in.OptedOut[email]
		}, Bad: func(email string) bool { return in.Bad[email] },
		Today: in.Today, Now: in.Now, Rules: t.Engine.Rules, Links: t.Links, Domain: t.Domain,
	})
	return o
}

// NoSeasonDays is how far ahead the risk of a coach without a season looks.
const NoSeasonDays = 182

// Assess dates one coach on a day: setting, forecasts, tasks.
func (t Tools) Assess(c *coach.Coach, on civil.Date) Outcome {
	o := Outcome{Coach: c.ID}
	life := projection.Life{Coach: c, Places: t.Atlas.Places(c)}
	o.Setting, o.Settled = plan.Settle(t.Engine.Rules, life, on)
	if !o.Settled {
		return o
	}
	care := o.Setting.CareDays(t.Engine.Rules)
	if t.CareDays > 0 {
		care = t.CareDays
	}
	by := o.Setting.NextOpening(on)
	if by == 0 {
		by = on.Add(NoSeasonDays)
	}
	o.Forecasts = t.Engine.Run(life, projection.When{On: on, CareDays: care, By: by})
	o.Tasks = plan.Make(t.Engine.Rules, c, o.Setting, o.Forecasts, on)
	return o
}

// Notices returns all notices of the pass, in order.
func (r Result) Notices() (out []reminder.Notice) {
	for i := range r.Outcomes {
		out = append(out, r.Outcomes[i].Notices...)
	}
	return out
}
