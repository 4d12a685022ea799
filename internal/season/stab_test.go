package season

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/testkit"
)

func holds(spans []span, points []int) bool {
	for _, s := range spans {
		hit := false
		for _, p := range points {
			hit = hit || s.first <= p && p <= s.last
		}
		if !hit {
			return false
		}
	}
	return true
}

// fewest is the fewest points that hit all spans, by trying every set of days.
func fewest(spans []span, days int) int {
	best := days
	for set := range 1 << days {
		var points []int
		for d := range days {
			if set>>d&1 == 1 {
				points = append(points, d)
			}
		}
		if len(points) < best && holds(spans, points) {
			best = len(points)
		}
	}
	return best
}

func drawSpans(t *rapid.T, days int) []span {
	spans := make([]span, rapid.IntRange(1, 7).Draw(t, "n"))
	for i := range spans {
		a := rapid.IntRange(0, days-1).Draw(t, "first")
		spans[i] = span{a, rapid.IntRange(a, days-1).Draw(t, "last")}
	}
	return spans
}

func TestFewestVisits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spans := drawSpans(t, 10)
		points := stab(spans)
		if !holds(spans, points) || len(points) != fewest(spans, 10) {
			t.Fatalf("%v for %v; %d would do", points, spans, fewest(spans, 10))
		}
	})
}

// The chance that no more than so many feet are wanted, by trying every case.
func within(feet, chances []float64, most float64) (p float64) {
	for set := range 1 << len(feet) {
		sum, q := 0.0, 1.0
		for i := range feet {
			if set>>i&1 == 1 {
				sum, q = sum+math.Ceil(feet[i]), q*chances[i]
			} else {
				q *= 1 - chances[i]
			}
		}
		if sum <= most {
			p += q
		}
	}
	return p
}

func TestNinety(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 8).Draw(t, "n")
		feet, chances := make([]float64, n), make([]float64, n)
		for i := range n {
			feet[i], chances[i] = float64(rapid.IntRange(1, 30).Draw(t, "feet")), float64(rapid.IntRange(1, 20).Draw(t, "p"))/20
		}
		q := ninety(feet, chances)
		if within(feet, chances, q) < .9-1e-9 || q > 0 && within(feet, chances, q-1) >= .9+1e-9 {
			t.Fatalf("%v of %v at %v: %v, one less %v", q, feet, chances, within(feet, chances, q), within(feet, chances, q-1))
		}
	})
	var feet, chances []float64
	for range 2000 {
		feet, chances = append(feet, 12), append(chances, .3)
	}
	if q := ninety(feet, chances); math.Abs(q-(7200+1.28155*12*math.Sqrt(2000*.3*.7))) > 1 {
		t.Errorf("many: %v", q)
	}
}

func TestPublished(t *testing.T) {
	testkit.Check(t, "visits.csv", map[string]func([]float64) float64{
		"points": func(in []float64) float64 { return float64(len(stab(pairs(in)))) },
		"last":   func(in []float64) float64 { p := stab(pairs(in)); return float64(p[len(p)-1]) },
	})
}

func pairs(in []float64) (out []span) {
	for i := 0; i+1 < len(in); i += 2 {
		out = append(out, span{int(in[i]), int(in[i+1])})
	}
	return out
}
