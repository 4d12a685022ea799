package level

import (
	"cmp"
	"slices"
)

// Make levels jobs over weeks with room hours each. Pins come first. Then the
// earliest-due order finds the least lateness. Jobs without an earlier week move
// from there towards their best week where there is room; jobs with an earlier
// week keep it unless that would make the whole later, and then the shortest
// chain of moves makes room.
func Make(jobs []Job, room []Hours) Answer {
	fresh := newBoard(jobs, room)
	todo, kept := fresh.pins()
	fresh.earliestDue(todo)
	least := fresh.lateness()
	b := fresh
	var moves []Move
	if len(kept) > 0 {
		b, moves = rePlan(jobs, room, fresh.week)
		if b.lateness() > least {
			b, moves = fresh, nil
		}
	}
	b.settle(todo)
	return b.answer(moves)
}

// pins places the pinned jobs and returns the others, and those of them that an
// earlier plan had a week for.
func (b *board) pins() (todo, kept []int) {
	for i := range b.jobs {
		switch j := &b.jobs[i]; {
		case j.Pin >= 0 && j.Pin < len(b.room):
			b.put(i, j.Pin)
		default:
			todo = append(todo, i)
			if j.Was >= 0 && j.Was < len(b.room) {
				kept = append(kept, i)
			}
		}
	}
	return todo, kept
}

// settle moves jobs that have no earlier week towards their best week, the one
// due last first, never later than they already are or may be.
func (b *board) settle(todo []int) {
	order := slices.Clone(todo)
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(b.jobs[y].Due, b.jobs[x].Due) })
	for _, i := range order {
		j := &b.jobs[i]
		if b.week[i] < 0 || j.Was >= 0 && b.week[i] == j.Was {
			continue
		}
		now := b.week[i]
		b.take(i)
		b.put(i, b.nearest(i, now))
	}
}

// nearest returns the week with room closest to a job's best one, no later than
// its due week, or than now when it is late already. now itself has room.
func (b *board) nearest(i, now int) int {
	j := &b.jobs[i]
	limit := max(j.Due, now)
	if now > j.Due {
		limit = now - 1 // anything sooner is better
	}
	aim := j.Best
	if j.Was >= 0 {
		aim = j.Was
	}
	if now > j.Due {
		aim = j.Due
	}
	limit = min(limit, len(b.room)-1)
	for d := 0; d < len(b.room); d++ {
		for _, w := range []int{aim - d, aim + d} {
			if w >= 0 && w <= limit && b.can(i, w) {
				return w
			}
		}
		if aim-d < 0 && aim+d > limit {
			break
		}
	}
	return now
}

func (b *board) answer(moves []Move) Answer {
	a := Answer{Week: b.week, Load: make([]Hours, len(b.room)), Late: b.lateness()}
	for w := range b.room {
		for _, i := range b.in[w] {
			a.Load[w].add(b.jobs[i].Need, 1)
		}
	}
	why := map[int]int{}
	for _, m := range moves {
		why[m.Job] = m.For
	}
	for i := range b.jobs {
		if j := &b.jobs[i]; j.Was >= 0 && b.week[i] != j.Was {
			cause, ok := why[i]
			if !ok {
				cause = -1
			}
			a.Moves = append(a.Moves, Move{i, j.Was, b.week[i], cause})
		}
	}
	return a
}
