package survival

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func lives(failed []float64, censored ...float64) (out []Life) {
	for _, t := range failed {
		out = append(out, Life{t, true})
	}
	for _, t := range censored {
		out = append(out, Life{t, false})
	}
	return out
}

func repeat(t float64, n int) (out []float64) {
	for range n {
		out = append(out, t)
	}
	return out
}

var (
	// NIST/SEMATECH e-Handbook 8.2.1.5 (through a third-party test).
	nistKM = lives([]float64{10, 32, 56, 98, 122, 181}, append([]float64{50, 100, 125, 150}, repeat(200, 10)...)...)
	// NIST/SEMATECH e-Handbook 8.4.1.3 (two repositories).
	nistWeibull = lives([]float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}, repeat(500, 10)...)
	// Shock absorbers of Meeker and Escobar (data through a repository).
	shocks = lives([]float64{6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490},
		6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870, 13330, 13470, 14040, 17540, 17890, 18420, 18960, 18980, 19410, 20100, 20150, 20320, 23490, 27410, 27890, 28100)
	// Freireich's 6-MP patients, as in Gehan 1965 (from memory).
	sixMP = lives([]float64{6, 6, 6, 7, 10, 13, 16, 22, 23}, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
	// The placebo group of the same trial (from memory).
	placebo = lives([]float64{1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23})
)

// Values recomputed with R 4.2.2 and survival 3.5.3 agree with the published ones
// where those are known; tolerance 1e-4 relative.
func TestPublished(t *testing.T) {
	near := func(name string, got, want float64) {
		t.Helper()
		if math.IsNaN(got) || math.Abs(got-want) > 1e-4*math.Abs(want) {
			t.Errorf("%s: got %.8g, want %.8g", name, got, want)
		}
	}
	for i, want := range []float64{.95, .90, .847059, .794118, .737395, .670359} {
		near("NIST 8.2.1.5", KaplanMeier(nistKM)[i].Survival, want)
	}
	near("NIST 8.2.1.5 se", KaplanMeier(nistKM)[5].SE, .112141)
	for i, want := range []float64{.857143, .806723, .752941, .690196, .627451, .537815, .448179} {
		near("6-MP", KaplanMeier(sixMP)[i].Survival, want)
	}
	steps := KaplanMeier(shocks)
	near("shock absorbers, last step", steps[len(steps)-1].Survival, .287376)
	for _, c := range []struct {
		name             string
		lives            []Life
		shape, scale, ll float64
	}{
		{"NIST 8.4.1.3", nistWeibull, 1.720797, 606.5276, -75.134618},
		{"shock absorbers", shocks, 3.160580, 27717.36, -123.99394},
		{"6-MP", sixMP, 1.353735, 33.76515, -41.65868},
	} {
		w, ok := FitWeibull(c.lives)
		if !ok {
			t.Fatalf("%s: no fit", c.name)
		}
		near(c.name+" shape", w.Shape.Value, c.shape)
		near(c.name+" scale", w.Scale.Value, c.scale)
		near(c.name+" loglik", w.LogLik, c.ll)
		if w.Shape.Low >= w.Shape.Value || w.Scale.High <= w.Scale.Value || w.B10.Low >= w.B10.Value {
			t.Errorf("%s: intervals %+v", c.name, w)
		}
	}
	w, _ := FitWeibull(nistWeibull)
	near("NIST 8.4.1.3 B10", w.B10.Value, 164.022)
	near("NIST 8.4.1.3 se of ln scale", math.Log(w.Scale.High/w.Scale.Value)/z95, .20594)
	near("NIST 8.4.1.3 se of ln sigma", math.Log(w.Shape.High/w.Shape.Value)/z95, .29181)
	ws, _ := FitWeibull(shocks)
	near("shock absorbers B10", ws.B10.Value, 13599.7)
	l, ok := FitLognormal(shocks)
	if !ok {
		t.Fatal("no lognormal fit")
	}
	near("shock absorbers mu", l.Mu.Value, 10.144703)
	near("shock absorbers sigma", l.Sigma.Value, .530029)
	near("shock absorbers lognormal loglik", l.LogLik, -124.60715)
	// Cox and Oakes and many others give 16.79 for this comparison (from memory).
	chi2, p, ok := LogRank([][]Life{sixMP, placebo})
	if !ok || math.Abs(chi2-16.79) > .01 || math.Abs(p-4.17e-5) > 2e-6 {
		t.Errorf("log-rank %.4f, p %.3g", chi2, p)
	}
}

// A group censored before the first failure changes nothing.
func TestLogRankLeavesOutTheUnseen(t *testing.T) {
	a, pa, _ := LogRank([][]Life{sixMP, placebo})
	for _, groups := range [][][]Life{{sixMP, placebo, lives(nil, .5, .6)}, {lives(nil, .5), sixMP, placebo}, {sixMP, nil, placebo}} {
		if b, pb, ok := LogRank(groups); !ok || math.Abs(a-b) > 1e-9 || math.Abs(pa-pb) > 1e-12 {
			t.Errorf("%v %v %v, want %v %v", b, pb, ok, a, pa)
		}
	}
}

func TestTooFewFailures(t *testing.T) {
	for name, l := range map[string][]Life{"four": lives([]float64{1, 2, 3, 4}, 5, 6), "one time": lives(repeat(3, 9)), "none": nil, "zero": lives([]float64{0, 1, 2, 3, 4, 5})} {
		if _, ok := FitWeibull(l); ok {
			t.Errorf("%s: Weibull fitted", name)
		}
		if _, ok := FitLognormal(l); ok {
			t.Errorf("%s: lognormal fitted", name)
		}
	}
	if _, _, ok := LogRank([][]Life{sixMP}); ok {
		t.Error("one group was compared")
	}
}

// A fit moves with the unit of time: shape stays, scale multiplies.
func TestScaleInvariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(8, 60).Draw(t, "n")
		f := rapid.Float64Range(1e-3, 1e3).Draw(t, "factor")
		var a, b []Life
		for range n {
			x := Life{rapid.Float64Range(.1, 50).Draw(t, "t"), rapid.IntRange(0, 3).Draw(t, "failed") > 0}
			a, b = append(a, x), append(b, Life{x.Time * f, x.Failed})
		}
		wa, ok := FitWeibull(a)
		wb, ok2 := FitWeibull(b)
		if ok != ok2 {
			t.Fatal("one fits, the other does not")
		}
		if !ok {
			return
		}
		if math.Abs(wa.Shape.Value-wb.Shape.Value) > 1e-6*wa.Shape.Value || math.Abs(wa.Scale.Value*f-wb.Scale.Value) > 1e-6*wb.Scale.Value || math.IsNaN(wa.B10.Low) {
			t.Fatalf("%+v and %+v", wa, wb)
		}
		la, _ := FitLognormal(a)
		lb, _ := FitLognormal(b)
		if math.Abs(la.Sigma.Value-lb.Sigma.Value) > 1e-5*la.Sigma.Value || math.IsNaN(la.B10.High) {
			t.Fatalf("%+v and %+v", la, lb)
		}
		prev := 1.0
		for _, s := range KaplanMeier(a) {
			if s.Survival > prev || s.Survival < -1e-12 || math.IsNaN(s.SE) {
				t.Fatalf("%+v", s)
			}
			prev = s.Survival
		}
	})
}

// BenchmarkFit100k fits 100,000 censored lives. Budget: 500 ms for both fits.
func BenchmarkFit100k(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	l := make([]Life, 100_000)
	for i := range l {
		t, c := 8*math.Pow(r.ExpFloat64(), 1/2.2), 12*r.Float64()
		l[i] = Life{math.Min(t, c) + 1e-9, t <= c}
	}
	for b.Loop() {
		if w, ok := FitWeibull(l); !ok || math.Abs(w.Shape.Value-2.2) > .1 {
			b.Fatal(w)
		}
		if _, ok := FitLognormal(l); !ok {
			b.Fatal("no fit")
		}
	}
}
