package wear

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/unit"
)

// The two-step update has an exact published-form answer: s .35, y ln 1.4, r .2,
// then y ln 1.2 -> mu .222990, s .131122.
func TestFactorUpdate(t *testing.T) {
	f := Factor{S: .35}.Update(math.Log(1.4), .2)
	if math.Abs(f.Mu-.253648) > 1e-6 || math.Abs(f.S-.173649) > 1e-6 {
		t.Errorf("first update %+v", f)
	}
	f = f.Update(math.Log(1.2), .2)
	if math.Abs(f.Mu-.222990) > 1e-6 || math.Abs(f.S-.131122) > 1e-6 {
		t.Errorf("second update %+v", f)
	}
}

func TestHazardAgreesWithTextbookForm(t *testing.T) {
	for _, sigma := range []float64{.2, .5, 1} {
		for x := .05; x < 4; x *= 1.3 {
			z := math.Log(x) / sigma
			p := .5 * math.Erfc(-z/math.Sqrt2)
			if p > 1-1e-9 {
				continue
			}
			if got, want := Hazard(x, sigma), -math.Log(1-p); math.Abs(got-want) > 1e-7*want+1e-15 {
				t.Errorf("Hazard(%g, %g) = %g, textbook %g", x, sigma, got, want)
			}
		}
	}
	// The series takes over without a step.
	a, b := Hazard(math.Exp(24.999999), 1), Hazard(math.Exp(25.000001), 1)
	if b <= a || (b-a)/a > 1e-5 {
		t.Errorf("hazard steps at the join: %v then %v", a, b)
	}
	if h := Hazard(math.Exp(300), 1); math.IsInf(h, 0) || math.IsNaN(h) {
		t.Errorf("far tail is %v", h)
	}
}

func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(0, 50).Draw(t, "x")
		dx := rapid.Float64Range(0, 50).Draw(t, "dx")
		s := rapid.Float64Range(.05, 2).Draw(t, "sigma")
		if Hazard(x+dx, s) < Hazard(x, s) {
			t.Fatal("hazard falls")
		}
		tau := rapid.Float64Range(.01, 500).Draw(t, "tau")
		if c0, c1 := Set(x, tau, .2856, 0), Set(x+dx, tau, .2856, 0); c1 < c0 || c1 > 1 || c0 < 0 {
			t.Fatalf("set %v then %v", c0, c1)
		}
		temp := unit.Celsius(rapid.Float64Range(-40, 90).Draw(t, "temp"))
		if Rate(80, temp+1) <= Rate(80, temp) {
			t.Fatal("rate falls with temperature")
		}
		sh := rapid.Float64Range(20, 95).Draw(t, "shore")
		if math.Abs(Shore(Modulus(sh))-sh) > 1e-9 {
			t.Fatal("Shore is not the inverse of Modulus")
		}
		if h := rapid.Float64Range(0, 200).Draw(t, "hours"); Bond(h+.1) < Bond(h) || Bond(h) > 1 {
			t.Fatal("bond falls")
		}
	})
}

func TestMeanFilmIsTheMean(t *testing.T) {
	const c, span, nl, dl = .3, 40.0, 25.0, 60.0
	sum, n := 0.0, 100000
	for i := range n {
		d := (float64(i) + .5) / float64(n) * span
		sum += Film(c*d, d, nl, dl)
	}
	if got := MeanFilm(c, span, nl, dl); math.Abs(got-sum/float64(n)) > 1e-8 {
		t.Errorf("MeanFilm = %v, quadrature %v", got, sum/float64(n))
	}
}

func TestFirstReach(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.IntRange(-5, 6000).Draw(t, "at")
		pow := rapid.Float64Range(.2, 6).Draw(t, "power")
		f := func(d int) float64 { return math.Pow(float64(d)/float64(max(at, 1)), pow) }
		got := FirstReach(0, 5000, 1, f)
		want := max(at, 1)
		if want > 5000 {
			want = 5001
		}
		if got != want {
			t.Fatalf("got %d, want %d", got, want)
		}
	})
}
