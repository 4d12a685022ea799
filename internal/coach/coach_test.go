package coach

import (
	"strings"
	"testing"

	"sealmanac/internal/civil"
)

// The first number is the worked example that circulates with 49 CFR 565.15;
// the others are derived from the rule itself and belong to nobody.
func TestVINDoubt(t *testing.T) {
	for _, c := range []struct{ vin, doubt string }{
		{"1M8GDM9AXKP042788", ""}, {"11111111111111111", ""}, {"", ""},
		{"1M8GDM9A0KP042788", "should be X"}, {"1M8GDM9AXKP04278", "17 characters"},
		{"IM8GDM9AXKP042788", "other than"}, {"1m8gdm9axkp042788", ""},
	} {
		if got := VINDoubt(c.vin); (c.doubt == "") != (got == "") || !strings.Contains(got, c.doubt) {
			t.Errorf("%s: %q, want %q", c.vin, got, c.doubt)
		}
	}
}

func TestStayOn(t *testing.T) {
	c := Coach{Stays: []Stay{{From: 100, Until: 199}, {From: 200}}}
	for _, x := range []struct {
		day  civil.Date
		from civil.Date
		ok   bool
	}{{99, 0, false}, {100, 100, true}, {199, 100, true}, {200, 200, true}, {9999, 200, true}} {
		if s, ok := c.StayOn(x.day); ok != x.ok || s.From != x.from {
			t.Errorf("day %d: %v %v", x.day, s.From, ok)
		}
	}
}

// A snowbird's stays come again every year once they are through.
func TestStayOnRepeats(t *testing.T) {
	north, south := Site{Name: "Madison, WI"}, Site{Name: "Yuma, AZ"}
	c := Coach{Stays: []Stay{
		{Site: north, From: civil.Of(2023, 4, 10), Until: civil.Of(2023, 10, 27)},
		{Site: south, From: civil.Of(2023, 10, 28), Until: civil.Of(2024, 4, 9)},
		{Site: north, From: civil.Of(2024, 4, 10), Until: civil.Of(2024, 10, 27)},
	}}
	for day, want := range map[civil.Date]string{
		civil.Of(2024, 10, 27): "Madison, WI", civil.Of(2024, 10, 28): "Yuma, AZ", civil.Of(2025, 4, 9): "Yuma, AZ",
		civil.Of(2025, 4, 10):  "Madison, WI",
		civil.Of(2026, 11, 27): "Yuma, AZ", civil.Of(2027, 7, 1): "Madison, WI",
	} {
		if s, ok := c.StayOn(day); !ok || s.Site.Name != want {
			t.Errorf("on %s it stands at %q, want %s", day, s.Site.Name, want)
		}
	}
}

func TestServiceCovers(t *testing.T) {
	if !(Service{}).Covers("galley", "outer/top") || !(Service{Slide: "galley"}).Covers("galley", "inner/top") ||
		(Service{Slide: "bed"}).Covers("galley", "outer/top") || (Service{Slide: "galley", Run: "outer/top"}).Covers("galley",
		"outer/aft") {
		t.Error("a service covers the wrong runs")
	}
}
