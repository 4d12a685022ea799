package climate

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

// measured is a station of testdata/published/radiation.csv, MJ/m²d.
type measured struct {
	name           string
	lat, lon, elev float64
	ghi            [12]float64
	face           [4][12]float64 // N E S W
}

func radiation(t *testing.T) []measured {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", "radiation.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []measured
	for _, row := range rows[1:] {
		num := func(i int) float64 {
			if row[i] == "" {
				return math.NaN() // Calgary has no walls
			}
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatalf("%v: %v", row, err)
			}
			return v
		}
		m := int(num(5)) - 1
		if m == 0 {
			out = append(out, measured{name: row[0] + " " + row[1], lat: num(2), lon: num(3), elev: num(4)})
		}
		s := &out[len(out)-1]
		s.ghi[m] = num(6) * 3.6
		for i := range s.face {
			s.face[i][m] = num(7+i) * 3.6
		}
	}
	return out
}

// without returns the tables without radiation stations within km of a point, so
// that a station is not used to predict itself.
func (t *Tables) without(lat, lon, km float64) *Tables {
	c := *t
	c.typical = slices.DeleteFunc(slices.Clone(t.typical), func(s Station) bool {
		return Distance(lat, lon, s.Lat, s.Lon) < km
	})
	return &c
}

// Global radiation at 49 stations, none of them used to predict itself: within
// 10 % rms in every month of the year.
func TestGlobalRadiation(t *testing.T) {
	tab := load(t)
	stations := radiation(t)
	if len(stations) != 49 {
		t.Fatalf("%d stations", len(stations))
	}
	var square, bias [12]float64
	for _, s := range stations {
		n := tab.without(s.lat, s.lon, 5).At(s.lat, s.lon, s.elev)
		for m := range 12 {
			e := n.Months[m].Global/s.ghi[m] - 1
			square[m] += e * e / float64(len(stations))
			bias[m] += e / float64(len(stations))
			if math.Abs(e) > .25 {
				t.Logf("%s month %d: %.1f, published %.1f (%+.0f %%), %s", s.name, m+1, n.Months[m].Global, s.ghi[m], 100*e,
					n.Method)
			}
		}
	}
	for m := range 12 {
		t.Logf("month %2d: rms %4.1f %%, bias %+5.1f %%", m+1, 100*math.Sqrt(square[m]), 100*bias[m])
		if math.Sqrt(square[m]) > .10 {
			t.Errorf("month %d: rms %.1f %%, at most 10 %%", m+1, 100*math.Sqrt(square[m]))
		}
	}
}

// Radiation on the four walls, from the published global radiation: the mean over
// the stations within 8 % of the published year on each face.
func TestWallRadiation(t *testing.T) {
	for i, bearing := range []float64{0, 90, 180, 270} {
		var sum, worst float64
		stations := slices.DeleteFunc(radiation(t), func(s measured) bool { return math.IsNaN(s.face[0][0]) })
		if len(stations) != 48 {
			t.Fatalf("%d stations with walls", len(stations))
		}
		for _, s := range stations {
			var got, want float64
			for m := range 12 {
				total, _ := Sun(s.lat, MeanDay[m]).DayTotals(Wall(bearing), s.ghi[m], Circumsolar)
				got, want = got+total, want+s.face[i][m]
			}
			sum += got / want / float64(len(stations))
			worst = max(worst, math.Abs(got/want-1))
		}
		t.Logf("%3.0f°: computed/published %.3f, worst station %.1f %%", bearing, sum, 100*worst)
		if math.Abs(sum-1) > .08 {
			t.Errorf("%.0f°: computed/published %.3f, within 8 %%", bearing, sum)
		}
	}
}

// Annual UV (295-385 nm) on the level: weathering totals of 280 MJ/m² for southern
// Florida and 334 for Arizona circulate (from memory, tilt uncertain): 15 %.
func TestAnnualUV(t *testing.T) {
	tab := load(t)
	for town, want := range map[string]float64{"Miami, FL": 280, "Phoenix, AZ": 334} {
		p, err := tab.Lookup(town)
		if err != nil {
			t.Fatal(err)
		}
		n := tab.At(p.Lat, p.Lon, p.Elev)
		year := 0.0
		for m := range 12 {
			_, uv := Sun(p.Lat, MeanDay[m]).DayTotals(Roof, n.Months[m].Global, Circumsolar)
			year += uv * 365.2425 / 12
		}
		t.Logf("%s: %.0f MJ/m² a year, quoted %.0f", town, year, want)
		near(t, town, year, want, .15*want)
	}
}
