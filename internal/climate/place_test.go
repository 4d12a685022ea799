package climate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
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
		{"Billings, MT", "Billings, MT", "America/Denver", 45.783, -108.501},
		{"BILLINGS MT 59101-1234", "Billings, MT", "America/Denver", 45.783, -108.501},
		{"Billings, Mont.", "Billings, MT", "America/Denver", 45.783, -108.501},
		{"Mt. Vernon, WA", "Mount Vernon, WA", "America/Los_Angeles", 48.421, -122.334},
		{"N. Las Vegas, NV", "North Las Vegas, NV", "America/Los_Angeles", 36.199, -115.118},
		{"Washington, D.C.", "Washington, DC", "America/New_York", 38.895, -77.036},
		{"Charleston, West Virginia", "Charleston, WV", "America/New_York", 38.350, -81.633},
		{"New York, NY", "New York City, NY", "America/New_York", 40.714, -74.006},
		{"New York", "New York City, NY", "America/New_York", 40.714, -74.006},
		{"Sudbury, ON", "Greater Sudbury, ON", "America/Toronto", 46.49, -80.99},
		{"Sudbury, Ont.", "Greater Sudbury, ON", "America/Toronto", 46.49, -80.99},
		{"Sudbury ON P3E 5J1", "Greater Sudbury, ON", "America/Toronto", 46.49, -80.99},
		{"Sudbury, O.N., P3E5J1, Canada", "Greater Sudbury, ON", "America/Toronto", 46.49, -80.99},
		{"Quebec City, P.Q.", "Québec, QC", "America/Toronto", 46.812, -71.214},
		{"St. John's, Nfld.", "St. John's, NL", "America/St_Johns", 47.562, -52.713},
		{"Tijuana, BC", "Tijuana, Baja California, Mexico", "America/Tijuana", 32.503, -117.004},
		{"Tijuana B. C.", "Tijuana, Baja California, Mexico", "America/Tijuana", 32.503, -117.004},
		{"Guaymas", "Heroica Guaymas, Sonora, Mexico", "America/Hermosillo", 27.918, -110.898},
		{"Guaymas, Son.", "Heroica Guaymas, Sonora, Mexico", "America/Hermosillo", 27.918, -110.898},
		{"Cd. Juárez", "Ciudad Juárez, Chihuahua, Mexico", "America/Ciudad_Juarez", 31.720, -106.461},
		{"Cd Juarez, Chih., México", "Ciudad Juárez, Chihuahua, Mexico", "America/Ciudad_Juarez", 31.720, -106.461},
		{"San Felipe, B.C., Mexico", "San Felipe, Baja California, Mexico", "America/Tijuana", 31.025, -114.841},
		{"San Felipe, Baja California Norte", "San Felipe, Baja California, Mexico", "America/Tijuana", 31.025, -114.841},
		{"83550 Puerto Peñasco, Son., México", "Puerto Peñasco, Sonora, Mexico", "America/Hermosillo", 31.317, -113.537},
		{"Pto. Peñasco, Sonora C.P. 83550", "Puerto Peñasco, Sonora, Mexico", "America/Hermosillo", 31.317, -113.537},
		{"Monterrey, N.L.", "Monterrey, Nuevo León, Mexico", "America/Monterrey", 25.678, -100.310},
		{"La Paz, B.C.S.", "La Paz, Baja California Sur, Mexico", "America/Mazatlan", 24.143, -110.313},
		{"Ciudad de México, CDMX", "Mexico City, Mexico City, Mexico", "America/Mexico_City", 19.428, -99.128},
		// of three, the one of the ZIP
		{"Oakland, PA 18847", "Oakland, PA", "America/New_York", 41.95, -75.61},
		{"Billins, MT 59101", "ZIP 59101 near Billings, MT", "America/Denver", 45.61, -108.34}, // the ZIP settles it
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
		// a village of that name, and the city that people call so
		{"Juárez, Chih.", true, "Ciudad Juárez, Chihuahua, Mexico"},
		{"Juárez, Chih.", true, "; Juárez, Chihuahua, Mexico"},
		{"San Felippe, B.C., Mexico", false, "San Felipe, Baja California, Mexico"},
		{"Oakland, PA", true, "ZIP 18847 near Oakland, PA"},
		{"Tuson AZ", false, "one of: Tucson, AZ"},
		{"Ensenadda, B.C. 22800", false, "Ensenada, Baja California, Mexico"}, // a Mexican code is no ZIP
		{"P3E 5J1", false, "a Canadian postal code"},
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

// TestEveryTown writes each town of the tables as people write it and finds it, or
// an ambiguity that names it, or the town of its name that is so much larger that
// the rule of Lookup prefers it.
func TestEveryTown(t *testing.T) {
	t.Parallel()
	tab := load(t)
	mexican := map[string]string{}
	for _, r := range regionNames {
		if r.country == "MX" {
			mexican[r.name] = r.also[0]
		}
	}
	wrong := 0
	for i := range tab.places {
		p := &tab.places[i]
		for _, query := range []string{
			p.Label(), p.Name + ", " + p.Region, p.Name + ", " + cmp.Or(p.Short, mexican[p.Region]),
			p.Name + " " + cmp.Or(p.Short, mexican[p.Region]),
			strings.ToUpper(fold(p.Name)) + ", " + p.Region + ", " + p.Country,
		} {
			if why := strays(tab, p, query); why != "" {
				if wrong++; wrong <= 20 {
					t.Error(why)
				}
			}
		}
	}
	if wrong > 20 {
		t.Errorf("%d wrong in all", wrong)
	}
}

// strays says what is wrong with what a query for a place finds, or "".
func strays(tab *Tables, p *Place, query string) string {
	got, err := tab.Lookup(query)
	if pe, ok := errors.AsType[*PlaceError](err); ok {
		named := slices.Contains(pe.Candidates, p.Label()) || strings.Contains(pe.Allowed(), "near "+p.Label()) ||
			strings.HasSuffix(pe.Allowed(), " more")
		if pe.Ambiguous && named {
			return ""
		}
		return fmt.Sprintf("%q: %v; %s", query, pe, pe.Allowed())
	}
	same := fold(got.Name) == fold(p.Name)
	switch {
	case err != nil:
		return fmt.Sprintf("%q: %v", query, err)
	case same && got.Region == p.Region && Distance(got.Lat, got.Lon, p.Lat, p.Lon) <= sameKM:
	case same && got.Country == p.Country && got.People >= 20*p.People: // "México" is a state and the country
	default:
		return fmt.Sprintf("%q is %s, %d people, want %s, %d people", query, got.Label(), got.People, p.Label(), p.People)
	}
	return ""
}

func FuzzLookup(f *testing.F) {
	tab := load(f)
	for _, s := range []string{"Yuma, AZ", "85364", "St. George UT", "Québec", ", ,", "a b c d e f",
		"Tijuana, B. C. 22000", "Oakland, PA 18847", "P3E 5J1"} {
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
