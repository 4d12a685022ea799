package reminder

import (
	"testing"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
)

func boundsInput(t *testing.T) (in Input, p *coach.Person, task plan.Task) {
	t.Helper()
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	today := civil.Of(2026, 3, 3)
	task = plan.Task{Kind: coach.Inspect, Slide: "s", Run: "s", Anchor: today - 400, Target: today - 30}
	p = &coach.Person{Name: "Ann", Email: "ann@example.org", Role: coach.Owner}
	c := &coach.Coach{ID: "a", People: []coach.Person{*p}}
	return Input{Account: &coach.Account{ID: "main", Name: "A"}, Coach: c, Rules: r, Today: today,
		Tasks: []plan.Task{task}}, p, task
}

// A task that went unanswered is called about GapDays after its last message, not before.
func TestCallAfterTheGap(t *testing.T) {
	in, p, task := boundsInput(t)
	gap := in.Rules.Manners.GapDays
	for _, x := range []struct {
		days int
		want Reason
	}{{gap - 1, AlreadyTold}, {gap, CallList}, {gap + 1, CallList}} {
		in.Past = nil
		for i := range in.Rules.Manners.Unanswered {
			in.Past = append(in.Past, Past{Person: p.Email, Task: task.Kind, TaskKey: task.Key(),
				Covers: []string{task.Key() + "#9"}, Day: in.Today.Add(-x.days - 20*i)})
		}
		c := candidate{task: &in.Tasks[0], rung: 0}
		if got := in.against(p, &c); got != x.want {
			t.Errorf("%d days after the last message: %s, want %s", x.days, got, x.want)
		}
	}
}

// The year's messages are those of the last 365 days: one of 365 days ago counts no more.
func TestTheYearIs365Days(t *testing.T) {
	in, p, task := boundsInput(t)
	limit := in.Rules.Manners.PerYear - in.Rules.Manners.Reserved
	for _, x := range []struct {
		days int
		want Reason
	}{{363, YearFull}, {364, YearFull}, {365, ""}, {366, ""}} {
		in.Past = []Past{{Person: p.Email, Task: coach.Clean, Day: in.Today.Add(-x.days)}}
		for i := range limit - 1 {
			in.Past = append(in.Past, Past{Person: p.Email, Task: coach.Clean, Day: in.Today.Add(-20 * (i + 1))})
		}
		if got := in.manners(p, task.Kind); got != x.want {
			t.Errorf("%d messages, the first %d days ago: %q, want %q", limit, x.days, got, x.want)
		}
		for i := range in.Past { // dangers and agreed days use nothing up
			in.Past[i].Task = []coach.TaskKind{coach.SafetyStop, coach.BookedVisit}[i%2]
		}
		if got := in.manners(p, task.Kind); got != "" {
			t.Errorf("after safety messages and agreed days alone: %q", got)
		}
	}
}

// Every reason that leaves a call to the shop is one of the list, and only those that no
// message and no wait answers.
func TestReasonsOfCalls(t *testing.T) {
	want := map[Reason]bool{CallList: true, NoAddress: true, BadAddress: true, OptedOut: true, NoConsent: true,
		ByPhone: true}
	for _, r := range Reasons {
		if r.Calls() != want[r] {
			t.Errorf("%s: %v", r, r.Calls())
		}
		delete(want, r)
	}
	if len(want) > 0 {
		t.Errorf("not in the list: %v", want)
	}
}
