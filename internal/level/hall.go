package level

// Shortage is a run of weeks that proves that not all jobs can be on time: the
// jobs that must be done within it need more hours of a skill than it has
// (Hall's condition).
type Shortage struct {
	Span
	Skill int
	Need  float64 // hours of the jobs that must lie within the weeks
	Room  float64 // hours the weeks have
}

// Short returns, for each skill, the run of weeks that lacks the most hours; the
// shorter and earlier one on a tie. Where it returns none, hours alone do not
// forbid a plan without lateness; for jobs of one hour each such a plan then
// exists, for longer ones it may still fail because a job is done in one piece.
func Short(jobs []Job, room []Hours) (out []Shortage) {
	for skill := range Skills {
		if s, ok := shortest(jobs, room, skill); ok {
			out = append(out, s)
		}
	}
	return out
}

// shortest looks at every run of weeks [a, d]: rising d, and for each a the hours
// of the jobs that begin at a or later and are due by d.
func shortest(jobs []Job, room []Hours, skill int) (worst Shortage, found bool) {
	n := len(room)
	due := make([][]int, n) // jobs by their last week
	for i := range jobs {
		if a, d, ok := jobs[i].window(n); ok && a <= d && jobs[i].Need[skill] > 0 {
			due[d] = append(due[d], i)
		}
	}
	begin := make([]float64, n) // hours by first week, of the jobs due so far
	for d := range n {
		for _, i := range due[d] {
			a, _, _ := jobs[i].window(n)
			begin[a] += jobs[i].Need[skill]
		}
		need, have := 0.0, 0.0
		for a := d; a >= 0; a-- {
			need, have = need+begin[a], have+room[a][skill]
			if lack := need - have; lack > slack && (!found || lack > worst.Need-worst.Room+slack) {
				worst, found = Shortage{Span{a, d}, skill, need, have}, true
			}
		}
	}
	return worst, found
}

// window returns the weeks a job has to lie in to be on time; pinned jobs have
// one. ok is false when it has none.
func (j *Job) window(n int) (first, last int, ok bool) {
	if j.Pin >= 0 {
		return j.Pin, j.Pin, j.Pin < n
	}
	a, ok := j.first(0)
	if !ok || a > j.Due || a >= n {
		return 0, 0, false
	}
	for _, s := range j.Open {
		if s.First <= min(j.Due, n-1) {
			last = min(s.Last, j.Due, n-1)
		}
	}
	return a, last, true
}
