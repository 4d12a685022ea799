package plan

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

func rules(t testing.TB) *rulebook.Rulebook {
	t.Helper()
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// place is an invented climate: a mean, a swing, and its coldest month.
func place(lat, mean, swing float64, coldest int) *exposure.Place {
	p := &exposure.Place{ID: "x", Normals: climate.Normals{Lat: lat}}
	for m := range p.Normals.Months {
		x := -math.Cos(2 * math.Pi * float64(m-coldest) / 12)
		p.Normals.Months[m] = climate.Month{Tmax: mean + 6 + swing*x, Tmin: mean - 6 + swing*x,
			Global: .5 * climate.Sun(lat, climate.MeanDay[m]).Ra}
	}
	return p
}

var on = civil.Of(2026, 2, 10)

func life(c *coach.Coach, p *exposure.Place) projection.Life {
	l := projection.Life{Coach: c}
	for range c.Stays {
		l.Places = append(l.Places, p)
	}
	return l
}

func TestSettle(t *testing.T) {
	r := rules(t)
	stay := coach.Stay{From: on - 500, Shelter: coach.Open, Rooms: coach.RoomsIn, Cycles: .1}
	for _, c := range []struct {
		name   string
		coach  coach.Coach
		place  *exposure.Place
		band   rulebook.Band
		season bool
		opens  civil.Date // months in which it may open
	}{
		{"freezing winters", coach.Coach{Stays: []coach.Stay{stay}}, place(45, 8, 14, 0), "C", true, 4},
		{"southern winters", coach.Coach{Stays: []coach.Stay{stay}}, place(-45, 8, 10, 6), "C", true, 10},
		{"never freezes", coach.Coach{Stays: []coach.Stay{stay}}, place(25, 22, 4, 0), "B", false, 0},
		{"rented", coach.Coach{Use: coach.Rental, Stays: []coach.Stay{stay}}, place(45, 8, 14, 0), "E", true, 4},
		{"indoors", coach.Coach{Stays: []coach.Stay{{From: on - 9, Shelter: coach.Indoor}}}, place(45, 8, 14, 0), "A", true,
			4},
		{"salt air", coach.Coach{Stays: []coach.Stay{{From: on - 9, Shelter: coach.Open, Coastal: true}}},
			place(25, 22, 4, 0), "D", false, 0},
		{"hot", coach.Coach{Stays: []coach.Stay{stay}}, place(33, 26, 10, 0), "D", false, 0},
		{"the owner's own", coach.Coach{Season: civil.Season{Opens: civil.MonthDay{Month: 5, Day: 20},
			Closes: civil.MonthDay{Month: 9, Day: 1}}, Stays: []coach.Stay{stay}}, place(25, 22, 4, 0), "B", true, 5},
	} {
		s, ok := Settle(r, life(&c.coach, c.place), on)
		if !ok || s.Band != c.band || s.Season.IsZero() == c.season {
			t.Errorf("%s: %+v", c.name, s)
		}
		if m := civil.Date(s.Season.Opens.Month); c.season && (m < c.opens-1 || m > c.opens+1) {
			t.Errorf("%s: opens in month %d, want about %d", c.name, m, c.opens)
		}
		if s.BandWhy.IsZero() || s.SeasonWhy == "" {
			t.Errorf("%s: no reason given", c.name)
		}
	}
	if _, ok := Settle(r, projection.Life{Coach: &coach.Coach{}}, on); ok {
		t.Error("a coach without stays was settled")
	}
}

// simple is a coach with one track run and the season of a freezing place.
func simple(services ...coach.Service) (*coach.Coach, Setting) {
	c := &coach.Coach{ID: "a", Services: services,
		Slides: []coach.Slide{{ID: "s",
			Runs: []coach.Run{{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: on - 800,
				Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: on - 800}}}}}}}
	return c, Setting{Band: "C", CareMonths: 2, PerYear: 30, Frost: true,
		Season: civil.Season{Opens: civil.MonthDay{Month: 4, Day: 15}, Closes: civil.MonthDay{Month: 10, Day: 10}}}
}

func forecast(early, likely, late civil.Date) projection.Forecast {
	return projection.Forecast{Slide: "s", Run: "s/outer/top", RunKey: "outer/top", Part: coach.Bulb,
		Material: coach.EPDMSponge, Construction: coach.Track, Fitted: on - 800,
		Early: early, Likely: likely, Late: late, Governing: coach.Weathering}
}

func task(tasks []Task, k coach.TaskKind) *Task {
	for i := range tasks {
		if tasks[i].Kind == k {
			return &tasks[i]
		}
	}
	return nil
}

func TestReplacementWindows(t *testing.T) {
	r := rules(t)
	d := civil.Of
	for _, c := range []struct {
		name   string
		likely civil.Date
		target string
		words  string
	}{
		{"inside the season", d(2027, 7, 1), "2027-04-01", "inside the season"},
		{"in storage", d(2027, 1, 15), "2027-04-01", "out of season"},
		{"days before the opening", d(2027, 4, 5), "2027-04-01", "just before the season"},
		{"long past", d(2025, 6, 1), "2025-04-01", "is overdue"},
		{"this season, already begun", d(2026, 2, 11), "2026-04-01", "out of season"},
		{"in days that may pass before it is read", d(2026, 2, 23), "2026-04-01", "about to need replacement"},
		{"in two weeks", d(2026, 2, 24), "2026-04-01", "by Tue 24 February 2026"},
	} {
		co, s := simple()
		got := task(Make(r, co, s, []projection.Forecast{forecast(c.likely-600, c.likely, c.likely+900)}, on),
			coach.ReplaceBulb)
		if got == nil || got.Target.String() != c.target || !strings.Contains(got.Why.String(), c.words) ||
			got.Earliest > got.Target || got.Latest < got.Target {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	co, s := simple()
	s.Season = civil.Season{}
	if got := task(Make(r, co, s, []projection.Forecast{forecast(on, on+100, on+200)}, on),
		coach.ReplaceBulb); got.Target != on+100 {
		t.Errorf("without a season the target is the likely date, got %s", got.Target)
	}
	f := forecast(on, on+100, on+200)
	f.Hold = wording.Say("too large")
	if ts := Make(r, co, s, []projection.Forecast{f}, on); len(ts) != 1 || ts[0].Kind != coach.Refit {
		t.Errorf("a misfit run gets %+v", ts)
	}
}

func TestReplacementByConstruction(t *testing.T) {
	for _, c := range []struct {
		c    coach.Construction
		p    coach.PartKind
		want coach.TaskKind
	}{
		{coach.Track, coach.Bulb, coach.ReplaceBulb}, {coach.Track, coach.Wiper, coach.ReplaceSeal},
		{coach.PushOn, coach.Bulb, coach.ReplaceSeal},
		{coach.PeelStick, coach.Adhesive, coach.Rebond}, {coach.Bonded, coach.Bulb, coach.ReplaceSeal},
	} {
		if got := Replacement(c.c, c.p); got != c.want {
			t.Errorf("%s %s: %s, want %s", c.c, c.p, got, c.want)
		}
	}
}

func TestCare(t *testing.T) {
	r := rules(t)
	f := []projection.Forecast{forecast(on+900, on+1500, on+2500)}
	lubed := func(d civil.Date) coach.Service { return coach.Service{Day: d, Kind: coach.Lubricate} }
	d := civil.Of
	for _, c := range []struct {
		name   string
		on     civil.Date
		last   civil.Date
		target string
		mark   string
	}{
		{"in the season, by interval", d(2026, 6, 20), d(2026, 6, 1), "2026-08-01", ""},
		{"due in storage, before it", d(2026, 9, 1), d(2026, 8, 20), "2026-10-03", "storage"},
		{"just done before storage", d(2026, 10, 15), d(2026, 10, 1), "2027-04-08", "opening"},
		{"in winter", d(2026, 2, 10), d(2025, 12, 1), "2026-04-08", "opening"},
	} {
		co, s := simple(lubed(c.last))
		got := task(Make(r, co, s, f, c.on), coach.Lubricate)
		if got == nil || got.Target.String() != c.target || got.Mark != c.mark {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	// An inspection is never later than half of the time from "begins to show" to "due".
	co, s := simple(coach.Service{Day: on - 10, Kind: coach.Inspect})
	short := []projection.Forecast{forecast(on, on+100, on+300)}
	if got := task(Make(r, co, s, short, on), coach.Inspect); got.Anchor.DaysUntil(got.Target) > 50 {
		t.Errorf("inspected after %d days", got.Anchor.DaysUntil(got.Target))
	}
	// A room that hardly moves is run; where it freezes, after the thaw.
	s.PerYear = 2
	if got := task(Make(r, co, s, f, on), coach.Exercise); got == nil || got.Target.String() != "2026-04-15" ||
		!strings.Contains(got.Why.String(), "thaw") {
		t.Errorf("exercise: %+v", got)
	}
	s.PerYear = 40
	if got := task(Make(r, co, s, f, on), coach.Exercise); got != nil {
		t.Errorf("a room in use is exercised: %+v", got)
	}
}

// TestNoWaterInFrost plans coaches by chance at climates by chance: no hose test and no
// washing is aimed at a day on which nights typically freeze where the coach stands in
// the open then, and nothing is moved where it never freezes.
func TestNoWaterInFrost(t *testing.T) {
	r := rules(t)
	moved := 0
	rapid.Check(t, func(t *rapid.T) {
		co := &coach.Coach{ID: "a", Use: rapid.SampledFrom([]coach.Use{coach.Weekend, coach.FullTime, coach.Rental}).Draw(t,
			"use")}
		l := projection.Life{Coach: co}
		from := on - civil.Date(rapid.IntRange(300, 2500).Draw(t, "since"))
		fitted := from
		for range rapid.IntRange(1, 4).Draw(t, "stays") {
			st := coach.Stay{From: from, Cycles: .1, Rooms: coach.RoomsIn,
				Shelter: rapid.SampledFrom([]coach.Shelter{coach.Open, coach.Carport, coach.Indoor}).Draw(t, "shelter")}
			st.Until = from + civil.Date(rapid.IntRange(60, 300).Draw(t, "days"))
			from = st.Until + 1
			co.Stays = append(co.Stays, st)
			l.Places = append(l.Places, place(rapid.Float64Range(20, 62).Draw(t, "lat"),
				rapid.Float64Range(-8, 25).Draw(t, "mean"),
				rapid.Float64Range(0, 20).Draw(t, "swing"), rapid.SampledFrom([]int{0, 1, 6}).Draw(t, "coldest")))
		}
		if rapid.Bool().Draw(t, "stays on") {
			co.Stays[len(co.Stays)-1].Until = 0
		}
		co.Slides = []coach.Slide{{ID: "s",
			Runs: []coach.Run{{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted,
				Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted}}}}}}
		for _, kind := range []coach.TaskKind{coach.Lubricate, coach.WaterTest} {
			if rapid.Bool().Draw(t, "done") {
				co.Services = append(co.Services,
					coach.Service{Day: max(fitted, on-civil.Date(rapid.IntRange(0, 900).Draw(t, "day"))), Kind: kind})
			}
		}
		s, ok := Settle(r, l, on)
		if !ok {
			t.Fatal("not settled")
		}
		f := forecast(on+300, on+900, on+1500)
		f.Fitted = fitted
		for _, k := range Make(r, co, s, []projection.Forecast{f}, on) {
			if k.Kind != coach.WaterTest && k.Kind != coach.Lubricate {
				continue
			}
			night := func(d civil.Date) float64 {
				stay := exposure.Spans(co.Stays, d, d+1)[0].Stay
				if co.Stays[stay].Shelter == coach.Indoor {
					return 10
				}
				var lows [12]float64
				for m := range lows {
					lows[m] = l.Places[stay].Normals.Months[m].Tmin
				}
				_, slot := d.Slot()
				return climate.Daily(lows)[slot]
			}
			coldest, warmest := 10.0, -10.0
			for d := range civil.Date(366) {
				coldest, warmest = min(coldest, night(k.Target+d-183)), max(warmest, night(k.Target+d))
			}
			frost := strings.Contains(k.Why.String(), "frost")
			if frost {
				moved++
			}
			if warmest > 0 && night(k.Target) < 0 {
				t.Fatalf("%s on %s, in a night of %.1f °C: %s", k.Kind, k.Target, night(k.Target), k.Why)
			}
			if frost && coldest > 0 && len(co.Stays) == 1 {
				t.Fatalf("%s is moved for a frost where nights are never below %.1f °C", k.Kind, coldest)
			}
			if k.Earliest > k.Target || k.Target > k.Latest {
				t.Fatalf("%+v", k)
			}
		}
	})
	if moved == 0 {
		t.Error("nothing was moved")
	}
}

// Windows are in order, keys are unique, and a task keeps its key from day to day
// until something is done.
func TestWindowsAndKeys(t *testing.T) {
	r := rules(t)
	rapid.Check(t, func(t *rapid.T) {
		co, s := simple(coach.Service{Day: on - civil.Date(rapid.IntRange(0, 700).Draw(t, "since")), Kind: coach.Lubricate})
		s.PerYear = rapid.Float64Range(0, 100).Draw(t, "cycles")
		s.Band = rulebook.Band(rapid.SampledFrom([]string{"A", "B", "C", "D", "E"}).Draw(t, "band"))
		if rapid.Bool().Draw(t, "no season") {
			s.Season = civil.Season{}
		}
		early := on + civil.Date(rapid.IntRange(-800, 2000).Draw(t, "early"))
		fs := []projection.Forecast{forecast(early, early+civil.Date(rapid.IntRange(1, 1500).Draw(t, "likely")), early+3000)}
		seen := map[string]bool{}
		for _, k := range Make(r, co, s, fs, on) {
			if k.Earliest > k.Target || k.Target > k.Latest || k.Why.IsZero() || seen[k.Key()] {
				t.Fatalf("%+v", k)
			}
			seen[k.Key()] = true
		}
	})
}
