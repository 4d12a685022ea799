package wear_test

import (
	"math"
	"testing"

	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

func TestPublishedAgeing(t *testing.T) {
	sine := func(in []float64) float64 {
		sum := 0.0
		const n = 20000
		for i := range n {
			sum += wear.Rate(in[0], unit.Celsius(in[1]+in[2]*math.Sin(2*math.Pi*(float64(i)+.5)/n))) / n
		}
		return sum
	}
	testkit.Check(t, "ageing.csv", map[string]func([]float64) float64{
		"set_time": func(in []float64) float64 { return wear.SetTime(in[0], in[1], in[2]) },
		"set_time_at": func(in []float64) float64 {
			return wear.SetTime(in[0], in[1], in[2]) / wear.Rate(in[3], unit.Celsius(in[4]))
		},
		"rate":      func(in []float64) float64 { return wear.Rate(in[0], unit.Celsius(in[1])) },
		"sine_rate": sine,
		"sine_teff": func(in []float64) float64 { return float64(wear.EffectiveTemperature(in[0], sine(in))) },
		"anchor": func(in []float64) float64 {
			return wear.AnchorTau(in[1]/24/float64(unit.Year), in[0], in[4], in[3], unit.Celsius(in[2]))
		},
		"gent_ratio": func(in []float64) float64 { return wear.Modulus(in[0]) / wear.Modulus(in[1]) },
		"wear":       func(in []float64) float64 { return wear.WearPerCycle(in[0], in[1], in[2]) },
		"bond":       func(in []float64) float64 { return wear.Bond(in[0]) },
		"interference": func(in []float64) float64 {
			return float64(wear.Interference(in[0], unit.Length(in[1]), unit.Length(in[2])))
		},
		"set_from_height": func(in []float64) float64 {
			return wear.SetFromHeight(unit.Length(in[0]), unit.Length(in[1]), unit.Length(in[2]))
		},
		"lognormal_b10": func(in []float64) float64 {
			lo, hi := 0.0, in[0]
			for range 200 {
				if mid := (lo + hi) / 2; wear.Hazard(mid/in[0], in[1]) < wear.HazardAt[0] {
					lo = mid
				} else {
					hi = mid
				}
			}
			return hi
		},
		"weibull_risk": func(in []float64) float64 {
			h := func(t float64) float64 { return math.Pow(t/in[1], in[0]) }
			return wear.RiskWithin(h(in[2]), h(in[3]))
		},
		"inspection": func(in []float64) float64 { return wear.InspectionInterval(in[0], in[1], in[2]) },
	})
}
