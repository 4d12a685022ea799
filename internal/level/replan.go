package level

import (
	"cmp"
	"slices"
)

// visits bounds the search for one chain of moves.
const visits = 4000

// rePlan keeps every earlier week that still serves and finds a place for the
// rest by the shortest chain of moves. No job need be later than in the fresh
// plan: limit is a job's due week, or its week there when that is later.
func rePlan(jobs []Job, room []Hours, fresh []int) (*board, []Move) {
	b := newBoard(jobs, room)
	todo, kept := b.pins()
	limit := make([]int, len(jobs))
	for i := range jobs {
		limit[i] = max(jobs[i].Due, fresh[i])
		if fresh[i] < 0 {
			limit[i] = len(room) - 1
		}
	}
	for _, i := range kept {
		if w := jobs[i].Was; w <= limit[i] && b.can(i, w) {
			b.put(i, w)
		}
	}
	slices.SortStableFunc(todo, func(x, y int) int { return cmp.Compare(limit[x], limit[y]) })
	var moves []Move
	for _, i := range todo {
		if b.week[i] < 0 {
			moves = append(moves, b.insert(i, limit)...)
		}
	}
	return b, moves
}

// step is a job in a chain: it wants week, where over makes room.
type step struct {
	job, week, parent int
}

// insert finds a week for a job: one with room, else the shortest chain in which
// each job takes the place of the next. Without one the job stays unplaced. For
// jobs of equal hours this is the augmenting path of bipartite matching, so it
// finds a place whenever there is one.
func (b *board) insert(i int, limit []int) []Move {
	seen := map[int]bool{i: true}
	queue := []step{{job: i, week: -1, parent: -1}}
	for at := 0; at < len(queue) && at < visits; at++ {
		s := queue[at]
		for _, w := range b.weeksFor(s.job, limit[s.job]) {
			if w == s.week {
				continue
			}
			if b.jobs[s.job].Need.fits(b.free[w]) {
				return b.shift(queue, at, w, i)
			}
			for _, k := range b.in[w] {
				if seen[k] || b.jobs[k].Pin >= 0 {
					continue
				}
				after := b.free[w]
				after.add(b.jobs[k].Need, 1)
				if b.jobs[s.job].Need.fits(after) {
					seen[k] = true
					queue = append(queue, step{job: k, week: w, parent: at})
				}
			}
		}
	}
	return nil
}

// weeksFor returns the open weeks of a job up to a limit, nearest to the week it
// had, or to its best one, first.
func (b *board) weeksFor(i, limit int) []int {
	j := &b.jobs[i]
	aim := j.Best
	if j.Was >= 0 {
		aim = j.Was
	}
	var out []int
	for _, s := range j.Open {
		for w := s.First; w <= min(s.Last, limit, len(b.room)-1); w++ {
			out = append(out, w)
		}
	}
	slices.SortStableFunc(out, func(x, y int) int { return cmp.Compare(dist(x, aim), dist(y, aim)) })
	return out
}

func dist(a, b int) int { return max(a-b, b-a) }

// shift carries out the chain that ends at queue[at], whose job goes to week w:
// each job on the way takes the week of the one it displaces.
func (b *board) shift(queue []step, at, w, cause int) (moves []Move) {
	for k := at; k >= 0; k = queue[k].parent {
		s := queue[k]
		from := b.week[s.job]
		if from >= 0 {
			b.take(s.job)
			moves = append(moves, Move{Job: s.job, From: from, To: w, For: cause})
		}
		b.put(s.job, w)
		w = s.week
	}
	return moves
}
