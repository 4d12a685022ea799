package climate

import (
	"errors"
	"math"
	"strings"
	"sync"
	"testing"

	"sealmanac/config"
)

var tables = sync.OnceValues(func() (*Tables, error) {
	return Load(Source{Normals: config.Normals, Typical: config.Typical, Places: config.Places, Zips: config.Zips})
})

func load(t testing.TB) *Tables {
	t.Helper()
	tab, err := tables()
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// Coordinates are GeoNames' (CC BY 4.0) and the Census Bureau's.
func TestLookup(t *testing.T) {
	tab := load(t)
	for _, c := range []struct {
		query, label, zone string
		lat, lon           float64
	}{
		{"Yuma, AZ", "Yuma, AZ", "America/Phoenix", 32.725, -114.624},
		{"yuma arizona", "Yuma, AZ", "America/Phoenix", 32.725, -114.624},
		{"Yuma, Arizona, USA", "Yuma, AZ", "America/Phoenix", 32.725, -114.624},
		{"Kelowna BC", "Kelowna, BC", "America/Vancouver", 49.883, -119.486},
		{"Kelowna, Canada", "Kelowna, BC", "America/Vancouver", 49.883, -119.486},
		{"Kelowna, CA", "Kelowna, BC", "America/Vancouver", 49.883, -119.486},
		{"Ensenada, Mexico", "Ensenada, Baja California, Mexico", "America/Tijuana", 31.871, -116.601},
		{"Quartzsite", "Quartzsite, AZ", "America/Phoenix", 33.664, -114.230},
		{"St. George, UT", "Saint George, UT", "America/Denver", 37.104, -113.584},
		{"85364", "ZIP 85364 near Yuma, AZ", "America/Phoenix", 32.70, -114.64},
	} {
		p, err := tab.Lookup(c.query)
		if err != nil {
			t.Errorf("%q: %v", c.query, err)
			continue
		}
		if p.Label() != c.label && !strings.HasPrefix(c.label, "ZIP") && fold(p.Label()) != fold(c.label) {
			t.Errorf("%q is %q, want %q", c.query, p.Label(), c.label)
		}
		if p.Zone != c.zone || math.Abs(p.Lat-c.lat) > .06 || math.Abs(p.Lon-c.lon) > .06 {
			t.Errorf("%q: %v", c.query, p)
		}
	}
}

func TestLookupRefuses(t *testing.T) {
	tab := load(t)
	for _, c := range []struct {
		query     string
		ambiguous bool
		candidate string
	}{
		{"Springfield", true, "Springfield, MO"},
		{"Yuma", true, "Yuma, CO"},
		{"Kelowma BC", false, "Kelowna, BC"},
		{"", false, ""}, {"00000", false, ""}, {"00601", false, ""}, {",", false, ""},
	} {
		_, err := tab.Lookup(c.query)
		pe, ok := errors.AsType[*PlaceError](err)
		if !ok {
			t.Errorf("%q: got %v, want a *PlaceError", c.query, err)
			continue
		}
		if pe.Ambiguous != c.ambiguous || !strings.Contains(pe.Allowed(), c.candidate) {
			t.Errorf("%q: %v; %s", c.query, pe, pe.Allowed())
		}
	}
}

func FuzzLookup(f *testing.F) {
	tab := load(f)
	for _, s := range []string{"Yuma, AZ", "85364", "St. George UT", "Québec", ", ,", "a b c d e f"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := tab.Lookup(s)
		if err == nil && (p.Zone == "" || p.Name == "") {
			t.Errorf("%q found an empty place", s)
		}
	})
}

func TestNormalsAtKnownTowns(t *testing.T) {
	tab := load(t)
	// Annual global radiation of NREL TMY3 at the same airport, MJ/m².
	for _, c := range []struct {
		town   string
		annual float64
	}{{"Phoenix, AZ", 7539}, {"Miami, FL", 6311}, {"Madison, WI", 5139}} {
		p, err := tab.Lookup(c.town)
		if err != nil {
			t.Fatal(err)
		}
		n := tab.At(p.Lat, p.Lon, p.Elev)
		got, _, _ := n.Annual()
		near(t, c.town, got, c.annual, .05*c.annual)
		if n.Km > 40 || !strings.Contains(n.Method, "clearness") {
			t.Errorf("%s: %+v", c.town, n)
		}
	}
	// NOAA normal 1991-2020, Phoenix airport, July maximum 106.5 °F (41.4 °C).
	p, _ := tab.Lookup("Phoenix, AZ")
	near(t, "Phoenix July Tmax", tab.At(p.Lat, p.Lon, p.Elev).Months[6].Tmax, 41.4, .6)
}

func TestFrostFree(t *testing.T) {
	tab := load(t)
	for _, c := range []struct {
		town string
		ok   bool
		open string // month of opening
	}{{"Madison, WI", true, "04"}, {"Yuma, AZ", false, ""}, {"Miami, FL", false, ""}, {"Kelowna BC", true, "04"}} {
		p, err := tab.Lookup(c.town)
		if err != nil {
			t.Fatal(err)
		}
		s, ok := tab.At(p.Lat, p.Lon, p.Elev).FrostFree()
		if ok != c.ok || (ok && s.Opens.String()[:2] != c.open) {
			t.Errorf("%s: %v %v", c.town, s, ok)
		}
	}
}

func TestDailyKeepsMonths(t *testing.T) {
	d := Daily([12]float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11})
	near(t, "mid January", d[15], 0, .05)
	near(t, "mid July", d[197], 6, .05)
	near(t, "year end", d[365], 11*.5, .3)
}
