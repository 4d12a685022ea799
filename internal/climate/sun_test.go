package climate

import (
	"math"
	"testing"
)

func near(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: got %.5g, want %.5g ± %.2g", name, got, want, tol)
	}
}

// Duffie and Beckman, Table 1.10.1 (H0 in MJ/m²d at the mean days), as quoted by
// a third-party test; their solar constant and declination differ slightly.
func TestExtraterrestrialTable(t *testing.T) {
	for _, c := range []struct {
		lat float64
		h0  [12]float64
		tol float64
	}{
		{30, [12]float64{21.3, 25.7, 31.5, 36.8, 40.0, 41.1, 40.4, 37.8, 33.2, 27.4, 22.2, 19.9}, .35},
		{0, [12]float64{36.2, 37.4, 37.8, 36.7, 34.8, 33.5, 34.0, 35.7, 37.2, 37.3, 36.3, 35.7}, .15},
		{-45, [12]float64{42.8, 37.1, 28.6, 19.6, 12.9, 10.0, 11.3, 16.6, 24.9, 34.0, 41.2, 44.5}, .45},
	} {
		for m, want := range c.h0 {
			near(t, "H0", Sun(c.lat, MeanDay[m]).Ra, want, c.tol)
		}
	}
}

// The whole chain for Lyon in July; derived with an independent program.
func TestLyonChain(t *testing.T) {
	s := Sun(45+43.0/60, 196)
	const h = 22.290
	near(t, "fd", DiffuseShare(h/s.Ra, s.Sunset), .38294, 1e-4)
	mean, roof := 0.0, -99.0
	m := Month{Tmax: 26.6, Tmin: 14.8, Global: h}
	for _, p := range TypicalDay(s, Roof, m) {
		mean += p.Air / Steps
		roof = math.Max(roof, SurfaceTemperature(p.Air, p.Sun, .9, 1))
	}
	near(t, "daily mean", mean, 21.253, .02)
	near(t, "black roof edge maximum", roof, 60.34, .35)
	total, _ := s.DayTotals(Roof, h, Circumsolar)
	near(t, "horizontal is the input", total, h, 1e-6)
}

func TestPolarDaysAreFinite(t *testing.T) {
	for _, lat := range []float64{-90, -70, 70, 90} {
		for j := 1; j <= 366; j += 5 {
			s := Sun(lat, j)
			for _, p := range TypicalDay(s, Wall(180), Month{Tmax: 5, Tmin: -5, Global: .6 * s.Ra}) {
				if math.IsNaN(p.Air+p.Sun+p.UV) || math.IsInf(p.Sun, 0) || p.Sun < 0 {
					t.Fatalf("lat %v day %d: %+v", lat, j, p)
				}
			}
		}
	}
}
