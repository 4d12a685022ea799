package reminder

import (
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
)

// Days within which one task takes in another.
const (
	lookDays = 45 // two looks at one slide no farther apart are one
	workDays = 60 // a look waits so long for work at the shop on its slide
)

// mostExtras is how many other kinds of work a message names beside its own.
const mostExtras = 2

// once returns the tasks as a person is told of them, and which of them other tasks
// take in that the person has come to a rung of: nothing is asked twice for one edge.
func (in *Input) once(p *coach.Person) (tasks []plan.Task, taken []bool) {
	tasks, taken = slices.Clone(in.Tasks), make([]bool, len(in.Tasks))
	for i := range tasks {
		in.together(&tasks[i])
	}
	begun := make([]bool, len(tasks))
	for i := range tasks {
		begun[i] = RungAt(in.Rules.Tasks[tasks[i].Kind].Rungs(p.Role), in.Today.DaysUntil(tasks[i].Target)) >= 0
	}
	for i := range tasks {
		for k := range tasks {
			taken[i] = taken[i] || begun[i] && begun[k] && takesIn(&tasks[k], &tasks[i])
		}
	}
	return tasks, taken
}

// together moves the replacement of a seal to the day on which another part of its
// edge is due, when that is not long before: one job does both.
func (in *Input) together(seal *plan.Task) {
	lead := in.Rules.Tasks[coach.ReplaceSeal].Lead
	if seal.Kind != coach.ReplaceSeal || len(lead) == 0 {
		return
	}
	day := seal.Target
	for _, t := range in.Tasks {
		if (t.Kind == coach.ReplaceBulb || t.Kind == coach.Rebond) && t.Run == seal.Run &&
			t.Target.DaysUntil(seal.Target) <= lead[0] {
			day = min(day, t.Target)
		}
	}
	if day < seal.Target {
		seal.Target = day
		seal.Why = seal.Why.And("Another part of this edge is due sooner; one job does both.")
	}
}

// takesIn reports whether nobody need be asked for b besides a. A new seal has a new
// bulb and a new bond and is clean, and no care is needed where a shop is about to
// work; a shop that works on the seals of a slide looks at them and hoses them; and
// one look at a slide is enough for a while.
func takesIn(a, b *plan.Task) bool {
	if a.Slide != b.Slide {
		return false
	}
	care := b.Kind == coach.Lubricate || b.Kind == coach.Clean
	part := b.Kind == coach.ReplaceBulb || b.Kind == coach.Rebond
	look := b.Kind == coach.Inspect
	edge, slide := a.Run == b.Run && care, a.Target <= b.Target+workDays && (look || b.Kind == coach.WaterTest)
	switch a.Kind {
	case coach.Refit:
		return edge || slide || a.Run == b.Run && (part || b.Kind == coach.ReplaceSeal)
	case coach.ReplaceSeal:
		return edge || slide || a.Run == b.Run && part
	case coach.ReplaceBulb, coach.Rebond:
		return edge || slide
	case coach.Warranted:
		return look && max(a.Target, b.Target)-min(a.Target, b.Target) <= lookDays
	case coach.Inspect:
		first := a.Target < b.Target || a.Target == b.Target && a.Key() < b.Key()
		return look && first && b.Target-a.Target <= lookDays
	}
	return false
}

// share divides the tasks due between one message, led by the first, and later
// ones, which keep their distance from it. A danger and an agreed day are told alone.
func (in *Input) share(due []candidate) (now, later []candidate) {
	lead := due[0].task.Kind
	alone := lead == coach.SafetyStop || lead == coach.BookedVisit
	kinds := []coach.TaskKind{in.told(due[0].task)}
	for _, c := range due {
		k := in.told(c.task)
		if !slices.Contains(kinds, k) {
			if alone || len(kinds) > mostExtras {
				later = append(later, c)
				continue
			}
			kinds = append(kinds, k)
		}
		now = append(now, c)
	}
	return now, later
}

// told is the kind as which a task is told: care that puts nothing on the seals of an
// edge is told as cleaning.
func (in *Input) told(t *plan.Task) coach.TaskKind {
	if t.Kind != coach.Lubricate {
		return t.Kind
	}
	return in.Rules.As(t.Kind, in.Coach.Materials(t.Run))
}

// SureDays is how long before its day a message names it last. Delivery goes on
// trying for four days, and what is then true must have been written at first.
const SureDays = 4

// leaveDay is the day on which a message about a task would leave, where the person is.
func (in *Input) leaveDay(p *coach.Person, t *plan.Task) civil.Date {
	return civil.FromTime(in.leaves(p, t).In(in.zone(p)))
}
