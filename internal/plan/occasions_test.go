package plan

import (
	"strings"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/projection"
)

// tasksOf makes the tasks of a kind and mark of the simple coach after a change.
func tasksOf(
	t *testing.T, kind coach.TaskKind, mark string, change func(*coach.Coach), services ...coach.Service,
) (out []Task) {
	t.Helper()
	c, s := simple(services...)
	change(c)
	fs := []projection.Forecast{{Slide: "s", Run: "s/outer/top", Part: coach.Bulb, Construction: coach.Track,
		Material: coach.EPDMSponge, Fitted: on - 800, Governing: coach.Weathering, Early: on + 900, Likely: on + 1500,
		Late: on + 3000}}
	for _, x := range Make(rules(t), c, s, fs, on) {
		if x.Kind == kind && x.Mark == mark {
			if x.Earliest > x.Target || x.Target > x.Latest || x.Latest < on {
				t.Errorf("window %s %s %s", x.Earliest, x.Target, x.Latest)
			}
			if x.Why.IsZero() || x.MovedBy() == "" {
				t.Errorf("no reason: %+v", x)
			}
			out = append(out, x)
		}
	}
	return out
}

var (
	north = coach.Site{Name: "North", Lat: 50, Lon: -119}
	south = coach.Site{Name: "South", Lat: 32, Lon: -114}
)

func TestAfterEvents(t *testing.T) {
	for _, kind := range coach.EventKinds {
		hit := func(day civil.Date, slide coach.SlideID) func(*coach.Coach) {
			return func(c *coach.Coach) { c.Events = []coach.Event{{Day: day, Kind: kind, Slide: slide}} }
		}
		seen := coach.Service{Day: on - 2, Kind: coach.Inspect, By: "shop"}
		if n := len(tasksOf(t, coach.Inspect, string(kind), hit(on-5, ""))); n != 1 {
			t.Errorf("%s: %d looks", kind, n)
		}
		if n := len(tasksOf(t, coach.Inspect, string(kind), hit(on-5, ""), seen)); n != 0 {
			t.Errorf("%s: asked for again after a look", kind)
		}
		if n := len(tasksOf(t, coach.Inspect, string(kind), hit(on-1, ""), seen)); n != 1 {
			t.Errorf("%s: a look before it settles nothing", kind)
		}
		if n := len(tasksOf(t, coach.Inspect, string(kind), hit(on-5, "other"))) +
			len(tasksOf(t, coach.Inspect, string(kind), hit(on-500, ""))); n != 0 {
			t.Errorf("%s: another slide's, or long ago", kind)
		}
	}
}

func TestMoveToAHarsherPlace(t *testing.T) {
	move := func(a, b coach.Stay) func(*coach.Coach) {
		a.From, a.Until, b.From = on-900, on-21, on-20
		return func(c *coach.Coach) { c.Stays = []coach.Stay{a, b} }
	}
	if n := len(tasksOf(t, coach.Inspect, "climate", move(coach.Stay{Site: north}, coach.Stay{Site: south}))); n != 1 {
		t.Errorf("south: %d", n)
	}
	if n := len(tasksOf(t, coach.Inspect, "climate", move(coach.Stay{Site: south}, coach.Stay{Site: north}))); n != 0 {
		t.Errorf("north: %d", n)
	}
	if n := len(tasksOf(t, coach.Inspect, "climate", func(c *coach.Coach) {
		c.Stays = []coach.Stay{{Site: south, From: on - 900, Until: on - 500}, {Site: north, From: on - 499, Until: on - 21},
			{Site: south, From: on - 20}}
	})); n != 0 {
		t.Errorf("back where it was: %d", n)
	}
}

func TestBeforeMigration(t *testing.T) {
	leave := on + 60
	go2 := func(c *coach.Coach) {
		c.Use = coach.Snowbird
		c.Stays = []coach.Stay{{Site: south, From: on - 120, Until: leave - 1, Rooms: coach.RoomsOut},
			{Site: north, From: leave}}
	}
	x := tasksOf(t, coach.Inspect, "migration", go2)
	if len(x) != 1 || x[0].Latest >= leave || !strings.Contains(x[0].Why.String(), "leaves South for North") {
		t.Errorf("%+v", x)
	}
	if n := len(tasksOf(t, coach.Inspect, "migration", go2, coach.Service{Day: on - 10, Kind: coach.Inspect,
		By: "shop"})); n != 0 {
		t.Errorf("asked for after a look: %d", n)
	}
	if n := len(tasksOf(t, coach.Inspect, "migration", func(c *coach.Coach) {
		go2(c)
		c.Stays[1].Site = coach.Site{Lat: 33, Lon: -114}
	})); n != 0 {
		t.Errorf("a short move: %d", n)
	}
}

func TestWarrantyEnds(t *testing.T) {
	w := func(until, claim civil.Date) func(*coach.Coach) {
		return func(c *coach.Coach) { c.Slides[0].Runs[0].Warranty = coach.Warranty{Until: until, ClaimBy: claim} }
	}
	x := tasksOf(t, coach.Warranted, "", w(on+100, on+90))
	if len(x) != 1 || x[0].Latest != on+90 || !strings.Contains(x[0].Why.String(), "claim must be in by") {
		t.Errorf("%+v", x)
	}
	if n := len(tasksOf(t, coach.Warranted, "", w(on-1, 0))) + len(tasksOf(t, coach.Warranted, "", w(0, 0))) +
		len(tasksOf(t, coach.Warranted, "", w(on+900, 0))); n != 0 {
		t.Errorf("over, none or far: %d", n)
	}
	if n := len(tasksOf(t, coach.Warranted, "", w(on+30, 0), coach.Service{Day: on - 10, Kind: coach.Inspect,
		By: "shop"})); n != 0 {
		t.Errorf("after a look: %d", n)
	}
}

// A snowbird's season is its winter, from either hemisphere's stays.
func TestSeasonFromStays(t *testing.T) {
	r := rules(t)
	for _, c := range []struct {
		name         string
		summer, wint coach.Site
		come, leave  civil.Date
		cold         int
	}{
		{"north", north, south, civil.Of(2025, 10, 25), civil.Of(2026, 4, 10), 0},
		{"south", coach.Site{Name: "Cold", Lat: -45, Lon: 170}, coach.Site{Name: "Warm", Lat: -20, Lon: 148},
			civil.Of(2025, 4, 25), civil.Of(2025, 10, 10), 6},
	} {
		k := coach.Coach{Use: coach.Snowbird, Stays: []coach.Stay{{Site: c.summer, From: c.come - 190, Until: c.come - 1},
			{Site: c.wint, From: c.come, Until: c.leave}, {Site: c.summer, From: c.leave + 1, Until: c.come + 364}}}
		mild, cold := place(c.wint.Lat, 24, 4, c.cold), place(c.summer.Lat, 8, 14, c.cold)
		s, ok := Settle(r, projection.Life{Coach: &k, Places: []*exposure.Place{cold, mild, cold}}, c.leave+30)
		if !ok || s.Season.Opens != monthDay(c.come) || s.Season.Closes != monthDay(c.leave) {
			t.Errorf("%s: %+v", c.name, s)
		}
		if open := s.NextOpening(c.leave + 30); open < c.come+300 || open > c.come+366 {
			t.Errorf("%s: opens %s", c.name, open)
		}
		if need := c.come + 365 + 60; s.Ahead(r, need) >= c.come+366 {
			t.Errorf("%s: a need of %s is met on %s", c.name, need, s.Ahead(r, need))
		}
	}
}
