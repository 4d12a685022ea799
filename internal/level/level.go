// Package level spreads jobs over weeks of limited hours: no earlier than they
// can begin, by their due week when that can be done, near the week they would
// best be done in, and moved as little as possible from where they stood.
//
// It is pure arithmetic, imports nothing of ours and knows no vocabulary: a job
// is hours by skill and weeks by number. Package season calls it.
package level

import (
	"cmp"
	"container/heap"
	"slices"
)

// Skills is how many kinds of hours there are. A job may need several of them,
// all in the same week.
const Skills = 4

// Hours are hours by skill, none negative.
type Hours [Skills]float64

// slack forgives what adding and taking away floating-point hours leaves behind.
const slack = 1e-9

func (h Hours) fits(free Hours) bool {
	for k := range h {
		if h[k] > free[k]+slack {
			return false
		}
	}
	return true
}

func (h *Hours) add(o Hours, sign float64) {
	for k := range h {
		h[k] += sign * o[k]
	}
}

// Sum returns all hours together.
func (h Hours) Sum() (s float64) {
	for _, x := range h {
		s += x
	}
	return s
}

// Span is a run of weeks, both ends included.
type Span struct{ First, Last int }

// Job is one visit. Weeks are numbered from 0.
type Job struct {
	Need Hours
	Open []Span // weeks in which it can be done, rising, not overlapping; also after Due
	Due  int    // last week in which it is not late
	Best int    // week it would best be done in
	Pin  int    // week a person fixed it to, whatever the rest says; -1: none
	Was  int    // week an earlier plan gave it; -1: none
}

// allows reports whether week w is open to the job.
func (j *Job) allows(w int) bool {
	for _, s := range j.Open {
		if s.First <= w && w <= s.Last {
			return true
		}
	}
	return false
}

// first returns the first open week from w on; ok is false without one.
func (j *Job) first(w int) (int, bool) {
	for _, s := range j.Open {
		if s.Last >= w {
			return max(s.First, w), true
		}
	}
	return 0, false
}

// late returns how many weeks after its due week week w is.
func (j *Job) late(w int) int { return max(0, w-j.Due) }

// Move is a job that left the week an earlier plan gave it.
type Move struct {
	Job, From, To int
	For           int // the job it made room for; -1: its own week did not serve any more
}

// Answer says when each job is done.
type Answer struct {
	Week  []int // by job; -1: no open week within the horizon has room
	Load  []Hours
	Late  int // weeks of lateness, all jobs together; one without a week counts as past the horizon
	Moves []Move
}

// board is the weeks while they are filled.
type board struct {
	jobs []Job
	room []Hours // capacity
	free []Hours // what is left of it; below 0 where pins overload a week
	week []int
	in   [][]int // jobs by week

	open  map[int][]int // weeksFor's answers
	spent int           // of budget
}

func newBoard(jobs []Job, room []Hours) *board {
	b := &board{jobs: jobs, room: room, free: slices.Clone(room), week: make([]int, len(jobs)),
		in: make([][]int, len(room)), open: map[int][]int{}}
	for i := range b.week {
		b.week[i] = -1
	}
	return b
}

func (b *board) put(i, w int) {
	b.week[i] = w
	b.free[w].add(b.jobs[i].Need, -1)
	b.in[w] = append(b.in[w], i)
}

func (b *board) take(i int) {
	w := b.week[i]
	b.week[i] = -1
	b.free[w].add(b.jobs[i].Need, 1)
	k := slices.Index(b.in[w], i)
	b.in[w] = slices.Delete(b.in[w], k, k+1)
}

// can reports whether a job may stand in a week and has room there.
func (b *board) can(i, w int) bool { return b.jobs[i].allows(w) && b.jobs[i].Need.fits(b.free[w]) }

// lateness sums the weeks that jobs are late.
func (b *board) lateness() (sum int) {
	for i := range b.jobs {
		w := b.week[i]
		if w < 0 {
			w = len(b.room)
		}
		if b.jobs[i].Pin < 0 || b.week[i] < 0 {
			sum += b.jobs[i].late(w)
		}
	}
	return sum
}

// queue holds the jobs that could be done, the one due first on top.
type queue struct {
	jobs []Job
	at   []int
}

func (q *queue) Len() int { return len(q.at) }
func (q *queue) Less(a, b int) bool {
	return cmp.Or(cmp.Compare(q.jobs[q.at[a]].Due, q.jobs[q.at[b]].Due), cmp.Compare(q.at[a], q.at[b])) < 0
}
func (q *queue) Swap(a, b int) { q.at[a], q.at[b] = q.at[b], q.at[a] }
func (q *queue) Push(x any)    { q.at = append(q.at, x.(int)) }
func (q *queue) Pop() any {
	x := q.at[len(q.at)-1]
	q.at = q.at[:len(q.at)-1]
	return x
}

// earliestDue fills the weeks in order, always with the job due first among those
// that can be done (Jackson 1955, Horn 1974). For jobs of one hour and one skill
// whose open weeks are one span it meets all due weeks when that is possible, and
// else has the least total lateness. For jobs of unequal hours it is a heuristic:
// a job too long for what is left of a week lets a shorter one go first.
func (b *board) earliestDue(todo []int) {
	begin := make([][]int, len(b.room)+1)
	for _, i := range todo {
		if w, ok := b.jobs[i].first(0); ok && w < len(b.room) {
			begin[w] = append(begin[w], i)
		}
	}
	q := &queue{jobs: b.jobs}
	var wait []int
	for w := range b.room {
		for _, i := range begin[w] {
			heap.Push(q, i)
		}
		wait = wait[:0]
		for q.Len() > 0 && b.free[w].Sum() > slack {
			i := heap.Pop(q).(int)
			switch next, ok := b.jobs[i].first(w); {
			case !ok:
			case next > w: // closed meanwhile: it comes back when it opens
				if next < len(b.room) {
					begin[next] = append(begin[next], i)
				}
			case b.can(i, w):
				b.put(i, w)
			default:
				wait = append(wait, i)
			}
		}
		for _, i := range wait {
			heap.Push(q, i)
		}
	}
}
