package level

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/testkit"
)

// drawUnits draws jobs of one hour over a few weeks, and the weeks' hours.
func drawUnits(t *rapid.T, weeks int, gaps bool) ([]Job, []Hours) {
	room := make([]Hours, weeks)
	for w := range room {
		room[w][0] = float64(rapid.IntRange(0, 2).Draw(t, "room"))
	}
	jobs := make([]Job, rapid.IntRange(1, 7).Draw(t, "jobs"))
	for i := range jobs {
		r := rapid.IntRange(0, weeks-1).Draw(t, "release")
		j := Job{Need: Hours{1}, Open: []Span{{r, weeks - 1}}, Due: rapid.IntRange(r, weeks-1).Draw(t, "due"), Pin: -1,
			Was: -1}
		if gaps && r+2 < weeks && rapid.Bool().Draw(t, "gap") {
			g := rapid.IntRange(r+1, weeks-2).Draw(t, "at")
			j.Open = []Span{{r, g - 1}, {g + 1, weeks - 1}}
		}
		j.Best = j.Due
		jobs[i] = j
	}
	return jobs, room
}

// leastLate is the least total lateness, by trying everything.
func leastLate(jobs []Job, room []Hours) int {
	best := 1 << 30
	free := slices.Clone(room)
	var place func(i, sum int)
	place = func(i, sum int) {
		if sum >= best {
			return
		}
		if i == len(jobs) {
			best = sum
			return
		}
		for w := range free {
			if jobs[i].allows(w) && jobs[i].Need.fits(free[w]) {
				free[w].add(jobs[i].Need, -1)
				place(i+1, sum+jobs[i].late(w))
				free[w].add(jobs[i].Need, 1)
			}
		}
		place(i+1, sum+jobs[i].late(len(room)))
	}
	place(0, 0)
	return best
}

// check fails unless every job stands in an open week with room.
func check(t *rapid.T, jobs []Job, room []Hours, a Answer) {
	load := make([]Hours, len(room))
	for i, w := range a.Week {
		if w < 0 {
			continue
		}
		if jobs[i].Pin < 0 && !jobs[i].allows(w) {
			t.Fatalf("job %d stands in week %d, which is closed to it", i, w)
		}
		load[w].add(jobs[i].Need, 1)
	}
	for w := range room {
		if !load[w].fits(room[w]) && !slices.ContainsFunc(jobs, func(j Job) bool { return j.Pin == w }) {
			t.Fatalf("week %d holds %v of %v hours", w, load[w], room[w])
		}
	}
}

// For jobs of one hour the plan has the least lateness there is, and Hall's
// condition tells exactly when it is nought.
func TestUnitJobsAreOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs, room := drawUnits(t, rapid.IntRange(1, 5).Draw(t, "weeks"), false)
		a := Make(jobs, room)
		check(t, jobs, room, a)
		want := leastLate(jobs, room)
		if a.Late != want {
			t.Fatalf("%d weeks late, %d is possible: %+v in %v -> %v", a.Late, want, jobs, room, a.Week)
		}
		if short := len(Short(jobs, room)) > 0; short != (want > 0) {
			t.Fatalf("Hall says short=%v, the least lateness is %d: %+v in %v", short, want, jobs, room)
		}
	})
}

// With closed weeks between and unequal hours the plan stays within its limits
// and a shortage is always a true one.
func TestShortageIsTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs, room := drawUnits(t, rapid.IntRange(1, 5).Draw(t, "weeks"), true)
		for i := range jobs {
			jobs[i].Need[0] = float64(rapid.IntRange(1, 3).Draw(t, "hours")) / 2
			jobs[i].Need[1] = float64(rapid.IntRange(0, 1).Draw(t, "other"))
		}
		for w := range room {
			room[w][1] = float64(rapid.IntRange(0, 3).Draw(t, "room of the other"))
		}
		a := Make(jobs, room)
		check(t, jobs, room, a)
		want := leastLate(jobs, room)
		if a.Late < want || want == 0 && len(Short(jobs, room)) > 0 {
			t.Fatalf("%d weeks late where %d is the least, shortages %v: %+v in %v", a.Late, want, Short(jobs, room), jobs, room)
		}
	})
}

// fewestMoves is the fewest jobs that must leave their week for the least
// lateness, by trying everything.
func fewestMoves(jobs []Job, room []Hours, late int) int {
	best := len(jobs) + 1
	free := slices.Clone(room)
	var place func(i, sum, moved int)
	place = func(i, sum, moved int) {
		if sum > late || moved >= best {
			return
		}
		if i == len(jobs) {
			best = moved
			return
		}
		for w := range free {
			if jobs[i].allows(w) && jobs[i].Need.fits(free[w]) {
				more := 0
				if jobs[i].Was >= 0 && jobs[i].Was != w {
					more = 1
				}
				free[w].add(jobs[i].Need, -1)
				place(i+1, sum+jobs[i].late(w), moved+more)
				free[w].add(jobs[i].Need, 1)
			}
		}
	}
	place(0, 0, 0)
	return best
}

// One more job in a plan that stands moves as few others as can be, and never
// makes the whole later than a fresh plan would be.
func TestOneMoreMovesTheFewest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs, room := drawUnits(t, rapid.IntRange(2, 5).Draw(t, "weeks"), false)
		before := Make(jobs[:len(jobs)-1], room)
		if before.Late > 0 {
			t.Skip("not on time to begin with")
		}
		for i, w := range before.Week {
			jobs[i].Was = w
		}
		after := Make(jobs, room)
		check(t, jobs, room, after)
		if want := leastLate(jobs, room); after.Late != want {
			t.Fatalf("%d weeks late, %d is possible", after.Late, want)
		}
		if after.Late > 0 {
			return
		}
		if want := fewestMoves(jobs, room, 0); len(after.Moves) != want {
			t.Fatalf("%d moves %v, %d would do: %+v in %v, was %v", len(after.Moves), after.Moves, want, jobs, room, before.Week)
		}
		for _, m := range after.Moves {
			if m.For != len(jobs)-1 {
				t.Fatalf("%+v does not name the new job", m)
			}
		}
	})
}

// One more job among jobs of unequal hours overloads no week, whatever chain makes
// room for it.
func TestRePlanStaysWithinTheWeeks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs, room := drawUnits(t, rapid.IntRange(2, 5).Draw(t, "weeks"), true)
		for w := range room {
			room[w][0] += 2
		}
		for i := range jobs {
			jobs[i].Need[0] = float64(rapid.IntRange(1, 6).Draw(t, "hours")) / 2
		}
		for i, w := range Make(jobs[:len(jobs)/2+1], room).Week {
			jobs[i].Was = w
		}
		check(t, jobs, room, Make(jobs, room))
	})
}

// A plan made again from itself moves nothing, unless that makes it less late.
func TestSameAgainMovesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		jobs, room := drawUnits(t, 5, true)
		for i := range jobs {
			jobs[i].Need[0] = float64(rapid.IntRange(1, 4).Draw(t, "hours")) / 2
		}
		a := Make(jobs, room)
		for i, w := range a.Week {
			jobs[i].Was = w
		}
		b := Make(jobs, room)
		if b.Late > a.Late || b.Late == a.Late && len(b.Moves) > 0 {
			t.Fatalf("moves %v, %d weeks late then %d", b.Moves, a.Late, b.Late)
		}
	})
}

func TestPinsAreKept(t *testing.T) {
	jobs := []Job{
		{Need: Hours{3}, Open: []Span{{0, 3}}, Due: 1, Best: 1, Pin: 2, Was: -1},
		{Need: Hours{3}, Open: []Span{{0, 3}}, Due: 2, Best: 2, Pin: 2, Was: -1},
		{Need: Hours{3}, Open: []Span{{0, 3}}, Due: 2, Best: 2, Pin: -1, Was: 2},
	}
	room := []Hours{{4}, {4}, {4}, {4}}
	a := Make(jobs, room)
	if a.Week[0] != 2 || a.Week[1] != 2 || a.Week[2] != 1 || a.Load[2][0] != 6 {
		t.Errorf("%+v", a)
	}
	if s := Short(jobs, room); len(s) != 1 || s[0].Span != (Span{2, 2}) || s[0].Need != 6 {
		t.Errorf("shortage %+v", s)
	}
}

// The worked examples of unit jobs on one machine.
func TestPublished(t *testing.T) {
	read := func(in []float64) ([]Job, []Hours) {
		var jobs []Job
		last := 0
		for i := 1; i+1 < len(in); i += 2 {
			last = max(last, int(in[i+1]))
			jobs = append(jobs, Job{Need: Hours{1}, Open: []Span{{int(in[i]) - 1, 9}}, Due: int(in[i+1]) - 1,
				Best: int(in[i+1]) - 1, Pin: -1, Was: -1})
		}
		room := make([]Hours, 10)
		for w := range room {
			room[w][0] = in[0]
		}
		return jobs, room
	}
	testkit.Check(t, "levelling.csv", map[string]func([]float64) float64{
		"late": func(in []float64) float64 { jobs, room := read(in); return float64(Make(jobs, room).Late) },
		"lack": func(in []float64) float64 {
			jobs, room := read(in)
			if s := Short(jobs, room); len(s) > 0 {
				return s[0].Need - s[0].Room
			}
			return 0
		},
	})
}

// BenchmarkRePlan adds a tenth to a plan that is too full already. Budget: 1 s for
// 10,000 jobs; the nightly pass makes it inside its transaction.
func BenchmarkRePlan(b *testing.B) {
	jobs, room := make([]Job, 10_000), make([]Hours, 104)
	for i := range jobs {
		r := (i * 37) % 90
		jobs[i] = Job{Need: Hours{1 + float64(i%3)}, Open: []Span{{r, 103}}, Due: min(103, r+4+i%9), Best: min(103, r+4),
			Pin: -1, Was: -1}
	}
	for w := range room {
		room[w] = Hours{148}
	}
	for i, w := range Make(jobs[:9_000], room).Week {
		jobs[i].Was = w
	}
	for b.Loop() {
		Make(jobs, room)
	}
}

// BenchmarkMake levels visits over 104 weeks at 90 % load. Budget: 0.3 s for
// 10,000, close to linear.
func BenchmarkMake(b *testing.B) {
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			jobs, room := make([]Job, n), make([]Hours, 104)
			for i := range jobs {
				r := (i * 37) % 90
				jobs[i] = Job{Need: Hours{1 + float64(i%3), float64(i % 2)}, Open: []Span{{r, 103}}, Due: min(103, r+4+i%9),
					Best: min(103, r+4), Pin: -1, Was: -1}
			}
			for w := range room {
				room[w] = Hours{2.2 * float64(n) / 100, .56 * float64(n) / 100}
			}
			for b.Loop() {
				Make(jobs, room)
				Short(jobs, room)
			}
		})
	}
}
