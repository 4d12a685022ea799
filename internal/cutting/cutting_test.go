package cutting

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/testkit"
)

// fewest is the fewest coils, by trying everything. Only for a few pieces.
func fewest(pieces []int, coil int) int {
	best := len(pieces)
	var free []int
	var place func(k int)
	place = func(k int) {
		if len(free) >= best {
			return
		}
		if k == len(pieces) {
			best = len(free)
			return
		}
		for b := range free {
			if free[b] >= pieces[k] {
				free[b] -= pieces[k]
				place(k + 1)
				free[b] += pieces[k]
			}
		}
		free = append(free, coil-pieces[k])
		place(k + 1)
		free = free[:len(free)-1]
	}
	place(0)
	return best
}

// whole fails unless every piece is cut once, from a bar that holds it.
func whole(t interface {
	Helper()
	Fatalf(string, ...any)
}, o Order, c Cut) {
	t.Helper()
	seen := map[int]int{}
	for _, b := range c.Bars {
		sum := 0
		for _, i := range b.Pieces {
			seen[i]++
			sum += o.Pieces[i]
		}
		if sum+b.Left != b.Length || b.Left < 0 || len(b.Pieces) == 0 {
			t.Fatalf("bar %+v of %+v", b, o)
		}
	}
	for _, i := range c.TooLong {
		seen[i]++
	}
	for i := range o.Pieces {
		if seen[i] != 1 {
			t.Fatalf("piece %d is cut %d times: %+v -> %+v", i, seen[i], o, c)
		}
	}
}

func TestAgainstEverything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		coil := rapid.IntRange(10, 60).Draw(t, "coil")
		o := Order{Coil: coil, Pieces: rapid.SliceOfN(rapid.IntRange(1, coil), 1, 9).Draw(t, "pieces")}
		c := Make(o)
		whole(t, o, c)
		want := fewest(o.Pieces, coil)
		sorted := slices.Clone(o.Pieces)
		order := make([]int, len(sorted))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(a, b int) int { return o.Pieces[b] - o.Pieces[a] })
		if ffd := len(firstFit(o, order)); 9*ffd > 11*want+6 {
			t.Fatalf("first-fit decreasing opens %d coils, the fewest are %d", ffd, want)
		}
		if c.Coils != want || c.Bound > want {
			t.Fatalf("%d coils, bound %d, the fewest are %d", c.Coils, c.Bound, want)
		}
	})
}

func TestRemnants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		coil := rapid.IntRange(10, 60).Draw(t, "coil")
		o := Order{Coil: coil, Pieces: rapid.SliceOfN(rapid.IntRange(1, 70), 0, 30).Draw(t, "pieces"),
			Remnants: rapid.SliceOfN(rapid.IntRange(1, 80), 0, 6).Draw(t, "remnants")}
		c := Make(o)
		whole(t, o, c)
		if c.Bound > c.Coils {
			t.Fatalf("bound %d above %d coils", c.Bound, c.Coils)
		}
		alone := Make(Order{Coil: coil, Pieces: o.Pieces})
		if len(c.TooLong) == len(alone.TooLong) && c.Coils > alone.Coils+1 {
			t.Fatalf("remnants cost coils: %d, without them %d", c.Coils, alone.Coils)
		}
	})
}

// Published instances with their known optima.
func TestPublished(t *testing.T) {
	split := func(in []float64) Order {
		o := Order{Coil: int(in[0])}
		for i := 1; i+1 < len(in); i += 2 {
			for range int(in[i+1]) {
				o.Pieces = append(o.Pieces, int(in[i]))
			}
		}
		return o
	}
	testkit.Check(t, "cutting.csv", map[string]func([]float64) float64{
		"coils": func(in []float64) float64 { return float64(Make(split(in)).Coils) },
		"bound": func(in []float64) float64 { return float64(Make(split(in)).Bound) },
		"ffd": func(in []float64) float64 {
			o := split(in)
			order := make([]int, len(o.Pieces))
			for i := range order {
				order[i] = i
			}
			slices.SortStableFunc(order, func(a, b int) int { return o.Pieces[b] - o.Pieces[a] })
			return float64(len(firstFit(o, order)))
		},
		// The guarantee of first-fit decreasing for a given optimum (Dósa 2007).
		"guarantee": func(in []float64) float64 { return float64((11*int(in[0]) + 6) / 9) },
	})
}

// BenchmarkMake cuts 60,000 pieces. Budget: 0.2 s, so that the parts of 10,000
// coaches do not show in a plan's two seconds.
func BenchmarkMake(b *testing.B) {
	for _, n := range []int{600, 6_000, 60_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			o := Order{Coil: 30_480}
			for i := range n {
				o.Pieces = append(o.Pieces, 900+(i*7919)%6500)
			}
			for b.Loop() {
				Make(o)
			}
		})
	}
}
