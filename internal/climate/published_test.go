package climate_test

import (
	"math"
	"testing"

	"sealmanac/internal/climate"
	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// chain is the mean ageing rate of a dark horizontal edge over a typical day, or,
// with roof 0, of the air.
func chain(s climate.SolarDay, in []float64, roof float64) float64 {
	sum := 0.0
	for _, p := range climate.TypicalDay(s, climate.Roof, climate.Month{Global: in[2], Tmax: in[3], Tmin: in[4]}) {
		sum += wear.Rate(in[5], unit.Celsius(climate.SurfaceTemperature(p.Air, p.Sun*roof, .9, roof))) / climate.Steps
	}
	return sum
}

func TestPublishedSky(t *testing.T) {
	sun := func(in []float64) climate.SolarDay { return climate.Sun(in[0], int(in[1])) }
	testkit.Check(t, "sky.csv", map[string]func([]float64) float64{
		"ra":          func(in []float64) float64 { return sun(in).Ra },
		"declination": func(in []float64) float64 { return sun(in).Declination },
		"sunset":      func(in []float64) float64 { return sun(in).Sunset },
		"daylight":    func(in []float64) float64 { return sun(in).Daylight() },
		"sunshine":    func(in []float64) float64 { return sun(in).FromSunshine(in[2]) },
		"clear":       func(in []float64) float64 { return sun(in).ClearSky(in[2]) },
		"range":       func(in []float64) float64 { return sun(in).FromRange(in[2], in[3], in[4]) },
		"diffuse":     func(in []float64) float64 { return climate.DiffuseShare(in[2], sun(in).Sunset) },
		"hour_share":  func(in []float64) float64 { return climate.HourShare(sun(in), (in[2]-12)*math.Pi/12) },
		"wall_isotropic": func(in []float64) float64 {
			total, _ := sun(in).DayTotals(climate.Wall(in[3]), in[2], climate.Isotropic)
			return total
		},
		"beam_ratio": func(in []float64) float64 {
			return climate.BeamRatio(sun(in), climate.Face{Tilt: in[3] * math.Pi / 180}, (in[2]-12)*math.Pi/12)
		},
		"tilt_isotropic": func(in []float64) float64 {
			total, _ := sun(in).DayTotals(climate.Face{Tilt: in[3] * math.Pi / 180}, in[2], climate.Isotropic)
			return total
		},
		"chain_air":  func(in []float64) float64 { return chain(sun(in), in, 0) },
		"chain_roof": func(in []float64) float64 { return chain(sun(in), in, 1) },
		"air":        func(in []float64) float64 { return sun(in).AirAt(in[2], in[3], in[4]) },
		"surface":    func(in []float64) float64 { return climate.SurfaceTemperature(in[0], in[1], in[2], in[3]) },
	})
}
