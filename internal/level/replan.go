package level

import (
	"cmp"
	"slices"
)

// visits bounds the search for one chain of moves, and budget all searches of one
// plan: a shop with far too much work has no chain to find.
const (
	visits = 4000
	budget = 40_000
)

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
	var left []int
	for _, i := range todo {
		if b.week[i] >= 0 {
			continue
		}
		moves = append(moves, b.insert(i, limit)...)
		if b.week[i] < 0 {
			left = append(left, i)
		}
	}
	b.earliestDue(left)
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
	for at := 0; at < len(queue) && at < visits && b.spent < budget; at++ {
		b.spent++
		s := queue[at]
		for _, w := range b.weeksFor(s.job, limit[s.job]) {
			if w == s.week {
				continue
			}
			if b.jobs[s.job].Need.fits(b.free[w]) && b.holds(queue, at, w) {
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

// holds reports whether all weeks of a chain have room once all of it is carried
// out: jobs of unequal hours may pass a week twice.
func (b *board) holds(queue []step, at, w int) bool {
	after := map[int]Hours{}
	change := func(w int, need Hours, sign float64) {
		h, ok := after[w]
		if !ok {
			h = b.free[w]
		}
		h.add(need, sign)
		after[w] = h
	}
	for k := at; k >= 0; k = queue[k].parent {
		s := queue[k]
		if from := b.week[s.job]; from >= 0 {
			change(from, b.jobs[s.job].Need, 1)
		}
		change(w, b.jobs[s.job].Need, -1)
		w = s.week
	}
	for w, h := range after {
		for k := range h {
			if h[k] < -slack && h[k] < b.free[w][k]-slack { // a week that pins overload may stay so
				return false
			}
		}
	}
	return true
}

// weeksFor returns the open weeks of a job up to a limit, nearest to the week it
// had, or to its best one, first.
func (b *board) weeksFor(i, limit int) []int {
	if out, ok := b.open[i]; ok {
		return out
	}
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
	b.open[i] = out
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
