package survival

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/testkit"
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

var sixMP, placebo = set("6-mp"), set("placebo")

// set reads one published set of lives.
func set(name string) (out []Life) {
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", "lives.csv"))
	if err != nil {
		panic(err)
	}
	defer f.Close() //nolint:errcheck // read only
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		panic(err)
	}
	for _, row := range rows {
		if t, err := strconv.ParseFloat(row[1], 64); err == nil && row[0] == name {
			out = append(out, Life{t, row[2] == "1"})
		}
	}
	return out
}

// statistic computes what a row of fits.csv names: a statistic, a set, a step.
func statistic(t *testing.T, what string) float64 {
	t.Helper()
	f := strings.Fields(what)
	l := set(f[1])
	w, _ := FitWeibull(l)
	n, _ := FitLognormal(l)
	step := func() Step {
		k, err := strconv.Atoi(f[2])
		if err != nil {
			t.Fatal(err)
		}
		curve := KaplanMeier(l)
		return curve[(k+len(curve))%len(curve)]
	}
	switch f[0] {
	case "km":
		return step().Survival
	case "se":
		return step().SE
	case "shape":
		return w.Shape.Value
	case "scale":
		return w.Scale.Value
	case "lnscale":
		return math.Log(w.Scale.Value)
	case "loglik":
		return w.LogLik
	case "b10":
		return w.B10.Value
	case "se_lnscale":
		return math.Log(w.Scale.High/w.Scale.Value) / z95
	case "se_lnsigma":
		return math.Log(w.Shape.High/w.Shape.Value) / z95
	case "mu":
		return n.Mu.Value
	case "sigma":
		return n.Sigma.Value
	case "lloglik":
		return n.LogLik
	case "logrank":
		chi2, _, _ := LogRank([][]Life{l, set(f[2])})
		return chi2
	}
	t.Fatalf("unknown statistic %q", what)
	return 0
}

func TestPublishedFits(t *testing.T) {
	functions := map[string]func([]float64) float64{}
	for _, c := range testkit.Published(t, "fits.csv") {
		functions[c.Function] = func([]float64) float64 { return statistic(t, c.Function) }
	}
	testkit.Check(t, "fits.csv", functions)
}

// A group censored before the first failure changes nothing.
func TestLogRankLeavesOutTheUnseen(t *testing.T) {
	a, pa, _ := LogRank([][]Life{sixMP, placebo})
	for _, groups := range [][][]Life{{sixMP, placebo, lives(nil, .5, .6)}, {lives(nil, .5), sixMP, placebo},
		{sixMP, nil, placebo}} {
		if b, pb, ok := LogRank(groups); !ok || math.Abs(a-b) > 1e-9 || math.Abs(pa-pb) > 1e-12 {
			t.Errorf("%v %v %v, want %v %v", b, pb, ok, a, pa)
		}
	}
}

func TestTooFewFailures(t *testing.T) {
	for name, l := range map[string][]Life{"four": lives([]float64{1, 2, 3, 4}, 5, 6),
		"one time": lives([]float64{3, 3, 3, 3, 3, 3}), "none": nil, "zero": lives([]float64{0, 1, 2, 3, 4, 5})} {
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
		if math.Abs(wa.Shape.Value-wb.Shape.Value) > 1e-6*wa.Shape.Value ||
			math.Abs(wa.Scale.Value*f-wb.Scale.Value) > 1e-6*wb.Scale.Value || math.IsNaN(wa.B10.Low) {
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
