package experience

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/rulebook"
)

// fleet makes n lives that last factor times what the rules predict, watched for
// at most seen years.
func fleet(m coach.Material, n int, factor, seen float64) (out []Observed) {
	r := rand.New(rand.NewPCG(7, uint64(n)))
	for range n {
		predicted := 3 + 6*r.Float64()
		life := factor * predicted * math.Pow(r.ExpFloat64()/math.Ln2, 1/3.0) // Weibull, shape 3, median factor x predicted
		out = append(out, Observed{m, math.Min(life, seen), predicted, life <= seen})
	}
	return out
}

func TestFind(t *testing.T) {
	all := append(fleet(coach.EPDMSponge, 200, 1.5, 9), fleet(coach.TPV, 200, 1, 9)...)
	all = append(all, fleet(coach.Silicone, 4, 1.5, 99)...)
	for _, f := range Find(all) {
		switch f.Material {
		case coach.EPDMSponge:
			if f.Refused != "" || f.Ratio.Low > 1.5 || f.Ratio.High < 1.5 || math.Abs(f.Ratio.Value-1.5) > .15 {
				t.Errorf("half as long again was found as %+v", f)
			}
		case coach.TPV:
			if !strings.Contains(f.Refused, "inside what the fleet shows") {
				t.Errorf("lives as predicted lead to %+v", f)
			}
		case coach.Silicone:
			if !strings.Contains(f.Refused, "at least 5") {
				t.Errorf("four lives lead to %+v", f)
			}
		}
	}
	if len(Find(nil)) != 0 {
		t.Error("nothing was found in nothing")
	}
}

// An accepted proposal is a whole rulebook of a new version, every changed figure
// says where it comes from, and the old one stays as it was.
func TestApply(t *testing.T) {
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	before := r.Materials[coach.EPDMSponge].UV.Dose.Value
	f := Find(fleet(coach.EPDMSponge, 200, 1.5, 9))[0]
	changed, changes := Apply(r, f, "2026.1+1", civil.Of(2026, 2, 10))
	if r.Materials[coach.EPDMSponge].UV.Dose.Value != before || r.Version == changed.Version || len(changes) != 3 {
		t.Fatalf("the old rulebook changed, or %d changes", len(changes))
	}
	text, err := yaml.Marshal(changed)
	if err != nil {
		t.Fatal(err)
	}
	back, err := rulebook.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	if got := back.Materials[coach.EPDMSponge].UV.Dose; back.Version != "2026.1+1" ||
		math.Abs(got.Value-before*f.Ratio.Value) > 1e-6 || !strings.Contains(got.Source, "own fleet on 2026-02-10") {
		t.Errorf("came back as %s with %+v", back.Version, got)
	}
	if back.Materials[coach.TPV].UV.Dose != r.Materials[coach.TPV].UV.Dose || back.Manners.GapDays != r.Manners.GapDays ||
		len(back.Tasks) != len(r.Tasks) {
		t.Error("another rule changed on the way")
	}
}
