package projection

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/unit"
)

type bench struct {
	tables *climate.Tables
	engine *Engine
}

func setup(t testing.TB) bench {
	t.Helper()
	tab, err := climate.Load(climate.Source{Normals: config.Normals, Typical: config.Typical, Places: config.Places,
		Zips: config.Zips})
	if err != nil {
		t.Fatal(err)
	}
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	return bench{tab, NewEngine(r)}
}

func (b bench) place(t testing.TB, town string) *exposure.Place {
	t.Helper()
	p, err := b.tables.Lookup(town)
	if err != nil {
		t.Fatal(err)
	}
	return &exposure.Place{ID: town, Normals: b.tables.At(p.Lat, p.Lon, p.Elev)}
}

var fitted = civil.Of(2020, 4, 1)

// one forecasts a single part that stays at one place under one shelter.
func (b bench) one(p *exposure.Place, st coach.Stay, run coach.Run, part coach.Part) Forecast {
	st.From, run.Fitted, part.Fitted = fitted, fitted, fitted
	run.Parts = []coach.Part{part}
	c := &coach.Coach{Stays: []coach.Stay{st}, Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}}
	return b.engine.Run(Life{c, []*exposure.Place{p}}, When{On: fitted, CareDays: 60})[0]
}

func years(f Forecast, d civil.Date) float64 {
	return float64(f.Fitted.DaysUntil(d)) / float64(unit.Year)
}

// The trade's planning ranges, years to planned replacement (common practice,
// no source): indoors, temperate outdoors, hot. The unsourced constants of the
// rulebook were set so that a part fitted new falls in them, for a coach that
// stands indoors with its rooms in, or outdoors with its rooms out, 30 cycles a
// year; DEVELOPERS.md tells how. Dense EPDM bulbs indoors are left out on
// purpose: the published set data say that heat alone does not end them.
func TestPlanningRanges(t *testing.T) {
	b := setup(t)
	columbus, phoenix := b.place(t, "Columbus, OH"), b.place(t, "Phoenix, AZ")
	const slack = 0.1 // years; silicone: see below
	for _, row := range []struct {
		material     coach.Material
		part         coach.PartKind
		construction coach.Construction
		side         coach.Side
		in, mild     [2]float64
		hot          [2]float64
	}{
		{coach.EPDMSponge, coach.Bulb, coach.Track, coach.Top, [2]float64{8, 12}, [2]float64{5, 8}, [2]float64{3, 6}},
		{coach.EPDMSponge, coach.Bulb, coach.PushOn, coach.Aft, [2]float64{8, 12}, [2]float64{5, 8}, [2]float64{3, 6}},
		{coach.EPDMDense, coach.Bulb, coach.Track, coach.Top, [2]float64{8, 99}, [2]float64{5, 8}, [2]float64{3, 6}},
		{coach.EPDMDense, coach.Bulb, coach.Track, coach.Fore, [2]float64{8, 99}, [2]float64{5, 8}, [2]float64{3, 6}},
		{coach.EPDMDense, coach.Wiper, coach.Track, coach.Top, [2]float64{8, 12}, [2]float64{5, 8}, [2]float64{3, 5}},
		{coach.EPDMDense, coach.Wiper, coach.Track, coach.Aft, [2]float64{8, 12}, [2]float64{5, 8}, [2]float64{3, 5}},
		{coach.TPV, coach.Wiper, coach.Track, coach.Top, [2]float64{8, 12}, [2]float64{5, 8}, [2]float64{3, 5}},
		{coach.TPV, coach.Bulb, coach.Track, coach.Top, [2]float64{7, 10}, [2]float64{5, 7}, [2]float64{3, 5}},
		{coach.PVC, coach.Wiper, coach.Track, coach.Top, [2]float64{5, 8}, [2]float64{3, 5}, [2]float64{2, 3}},
		{coach.PVC, coach.Wiper, coach.Track, coach.Aft, [2]float64{5, 8}, [2]float64{3, 5}, [2]float64{2, 3}},
		{coach.EPDMSponge, coach.Bulb, coach.PeelStick, coach.Top, [2]float64{3, 6}, [2]float64{2, 4}, [2]float64{1, 2}},
		{coach.PUFoam, coach.Bulb, coach.Bonded, coach.Top, [2]float64{2, 4}, [2]float64{1, 2}, [2]float64{0, 1}},
		{coach.AcrylicTape, coach.Adhesive, coach.PeelStick, coach.Top, [2]float64{8, 10}, [2]float64{5, 8},
			[2]float64{3, 6}},
		// Silicone's columns lie closer together (a factor 1.2) than the sun of the
		// two places allows (1.5): its hot figure is held to 6-10 instead of 8-10.
		{coach.Silicone, coach.Bulb, coach.Track, coach.Top, [2]float64{12, 16}, [2]float64{10, 12}, [2]float64{6, 10}},
	} {
		run := coach.Run{Position: coach.Outer, Side: row.side, Construction: row.construction}
		part := coach.Part{Kind: row.part, Material: row.material}
		use := coach.Stay{Heading: -1, Cycles: 30 / 365.0}
		for _, c := range []struct {
			name    string
			place   *exposure.Place
			shelter coach.Shelter
			rooms   coach.Rooms
			want    [2]float64
		}{
			{"indoors", columbus, coach.Indoor, coach.RoomsIn, row.in},
			{"temperate", columbus, coach.Open, coach.RoomsOut, row.mild},
			{"hot", phoenix, coach.Open, coach.RoomsOut, row.hot},
		} {
			st := use
			st.Shelter, st.Rooms = c.shelter, c.rooms
			f := b.one(c.place, st, run, part)
			y := years(f, f.Likely)
			t.Logf("%-12s %-8s %-10s %-5s %-9s early %4.1f likely %4.1f late %4.1f by %s", row.material, row.part,
				row.construction, row.side, c.name, years(f, f.Early), y, years(f, f.Late), f.Governing)
			if y < c.want[0]-slack || y > c.want[1]+slack {
				t.Errorf("%s %s %s %s %s: likely after %.1f years, planning range %v", row.material, row.part, row.construction,
					row.side, c.name, y, c.want)
			}
		}
	}
}

// Heat alone ends nothing: dense EPDM in the dark at 25 °C still seals after
// decades (Xie et al. 2024: 50 % set after 89 years), the same bulb on a desert
// roof edge does not.
func TestHeatAloneEndsNothing(t *testing.T) {
	b := setup(t)
	dark := &exposure.Place{ID: "dark"}
	for m := range dark.Normals.Months {
		dark.Normals.Months[m] = climate.Month{Tmax: 25, Tmin: 25}
	}
	run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track}
	part := coach.Part{Kind: coach.Bulb, Material: coach.EPDMDense}
	f := b.one(dark, coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsIn, Heading: -1}, run, part)
	if !f.Capped || years(f, f.Early) < 35 {
		t.Errorf("in the dark at 25 °C: early %v, likely %v", f.Early, f.Likely)
	}
	g := b.one(b.place(t, "Yuma, AZ"), coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: -1}, run, part)
	if years(g, g.Late) > 10 || g.Governing != coach.Weathering {
		t.Errorf("on a desert roof edge: late %v by %s", g.Late, g.Governing)
	}
}

func TestForecastProperties(t *testing.T) {
	b := setup(t)
	places := []*exposure.Place{b.place(t, "Columbus, OH"), b.place(t, "Yuma, AZ"), b.place(t, "Kelowna BC")}
	rapid.Check(t, func(t *rapid.T) {
		pick := func(name string, n int) int { return rapid.IntRange(0, n-1).Draw(t, name) }
		st := coach.Stay{
			Shelter: coach.Shelters[pick("shelter", 3)], Rooms: coach.RoomStates[pick("rooms", 2)],
			Heading: float64(rapid.IntRange(-1, 359).Draw(t, "heading")),
			Cycles:  unit.PerDay(rapid.Float64Range(0, 2).Draw(t, "cycles")),
		}
		run := coach.Run{Position: coach.Positions[pick("position", 2)], Side: coach.Sides[pick("side", 4)],
			Construction: coach.Constructions[pick("construction", 4)]}
		part := coach.Part{Kind: coach.PartKinds[pick("part", 5)],
			Material: coach.Materials[pick("material", len(coach.Materials))]}
		p := places[pick("place", 3)]
		f := b.one(p, st, run, part)
		if f.Early < f.Fitted || f.Early > f.Likely || f.Likely > f.Late {
			t.Fatalf("dates out of order: %+v", f)
		}
		sum := 0.0
		for _, s := range f.Shares {
			sum += s.Value
		}
		if len(f.Shares) > 0 && math.Abs(sum-1) > 1e-9 || math.IsNaN(f.LifeUsed) || f.LifeUsed < 0 {
			t.Fatalf("shares sum to %v, life %v", sum, f.LifeUsed)
		}
		// All else equal, a hotter place never gives a later date.
		warm := *p
		warm.ID += "+4"
		for m := range warm.Normals.Months {
			warm.Normals.Months[m].Tmax += 4
			warm.Normals.Months[m].Tmin += 4
		}
		if g := b.one(&warm, st, run, part); g.Likely > f.Likely {
			t.Fatalf("4 K hotter: likely %v, was %v", g.Likely, f.Likely)
		}
		// More cycles never give a later date.
		busy := st
		busy.Cycles += .5
		if g := b.one(p, busy, run, part); g.Likely > f.Likely {
			t.Fatalf("more cycles: likely %v, was %v", g.Likely, f.Likely)
		}
	})
}

func TestSplitStayEqualsWhole(t *testing.T) {
	b := setup(t)
	p := b.place(t, "Kelowna BC")
	st := coach.Stay{From: fitted, Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: 40, Cycles: .2}
	mk := func(stays ...coach.Stay) Forecast {
		run := coach.Run{Position: coach.Outer, Side: coach.Fore, Construction: coach.Track, Fitted: fitted,
			Parts: []coach.Part{{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: fitted}}}
		c := &coach.Coach{Stays: stays, Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}},
			Services: []coach.Service{{Day: fitted.Add(200), Kind: coach.Lubricate}}}
		places := make([]*exposure.Place, len(stays))
		for i := range places {
			places[i] = p
		}
		return b.engine.Run(Life{c, places}, When{On: fitted.Add(700), CareDays: 60})[0]
	}
	a, z := st, st
	a.Until, z.From = fitted.Add(99), fitted.Add(100)
	whole, split := mk(st), mk(a, z)
	if whole.Likely != split.Likely || math.Abs(whole.LifeUsed-split.LifeUsed) > 1e-9 {
		t.Errorf("whole %v %v, split %v %v", whole.Likely, whole.LifeUsed, split.Likely, split.LifeUsed)
	}
}

// Time only adds: the hazard never falls from one day to the next.
func TestHazardNeverFalls(t *testing.T) {
	b := setup(t)
	places := []*exposure.Place{b.place(t, "Kelowna BC"), b.place(t, "Yuma, AZ"), b.place(t, "Kelowna BC")}
	c := &coach.Coach{Stays: []coach.Stay{
		{From: fitted, Until: fitted + 199, Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: 40, Cycles: .2},
		{From: fitted + 200, Until: fitted + 399, Shelter: coach.Carport, Rooms: coach.RoomsIn, Heading: -1, Cycles: 1},
		{From: fitted + 400, Until: fitted + 600, Shelter: coach.Indoor, Rooms: coach.RoomsIn, Heading: -1},
	}, Services: []coach.Service{{Day: fitted + 90, Kind: coach.Lubricate}, {Day: fitted + 300, Kind: coach.Lubricate}}}
	for _, m := range coach.Materials {
		for _, k := range coach.PartKinds {
			run := coach.Run{Position: coach.Outer, Side: coach.Fore, Construction: coach.PeelStick, Fitted: fitted,
				Parts: []coach.Part{{Kind: k, Material: m, Fitted: fitted}}}
			c.Slides = []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}
			on := fitted.Add(500)
			ln := lineCache{}.get(b.engine, Life{c, places}, &c.Slides[0], &run,
				exposure.Spans(c.Stays, fitted, fitted.Add(4000)), on, 60)
			a := ln.aging(b.engine.model(&run.Parts[0], coach.PeelStick), fitted, false)
			prev := 0.0
			for d := fitted; d < fitted+4000; d++ {
				h, _ := a.hazard(d)
				if h < prev-1e-9 || math.IsNaN(h) {
					t.Fatalf("%s %s: hazard falls from %v to %v on %s", m, k, prev, h, d)
				}
				prev = h
			}
		}
	}
}

// Where every day is like every other, the order of two stays does not matter.
func TestOrderOfEqualStaysIsIrrelevant(t *testing.T) {
	b := setup(t)
	dark := &exposure.Place{ID: "even"}
	for m := range dark.Normals.Months {
		dark.Normals.Months[m] = climate.Month{Tmax: 31, Tmin: 31}
	}
	out := coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: -1, Cycles: 2}
	in := coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsIn, Heading: -1, Cycles: .1}
	damage := func(x, y coach.Stay) (sum []float64) {
		x.From, x.Until, y.From = fitted, fitted+299, fitted+300
		run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted,
			Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted},
				{Kind: coach.Wiper, Material: coach.Neoprene, Fitted: fitted}}}
		c := &coach.Coach{Stays: []coach.Stay{x, y},
			Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}}
		on := fitted.Add(600)
		ln := lineCache{}.get(b.engine, Life{c, []*exposure.Place{dark, dark}}, &c.Slides[0], &run,
			exposure.Spans(c.Stays, fitted, on+1), on, 60)
		for i := range run.Parts {
			a := ln.aging(b.engine.model(&run.Parts[i], coach.Track), fitted, false)
			_, each := a.hazard(on)
			sum = append(sum, each[:len(a.terms)]...)
		}
		return sum
	}
	x, y := damage(out, in), damage(in, out)
	for i := range x {
		if math.Abs(x[i]-y[i]) > 1e-9*(1+x[i]) {
			t.Errorf("term %d: %v one way, %v the other", i, x[i], y[i])
		}
	}
}

func TestConditioningSparesTheLip(t *testing.T) {
	b := setup(t)
	p := b.place(t, "Columbus, OH")
	mk := func(services ...coach.Service) float64 {
		run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted,
			Parts: []coach.Part{{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: fitted}}}
		c := &coach.Coach{Stays: []coach.Stay{{From: fitted, Shelter: coach.Indoor, Rooms: coach.RoomsIn, Heading: -1,
			Cycles: 3}}, Services: services, Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}}
		l := Life{c, []*exposure.Place{p}}
		on := fitted.Add(365)
		ln := lineCache{}.get(b.engine, l, &c.Slides[0], &c.Slides[0].Runs[0], exposure.Spans(c.Stays, fitted, on.Add(10)),
			on, 60)
		return ln.aging(b.engine.model(&run.Parts[0], coach.Track), fitted, false).ratio(coach.Abrasion, on)
	}
	dry := mk()
	one := mk(coach.Service{Day: fitted.Add(10), Kind: coach.Lubricate})
	two := mk(coach.Service{Day: fitted.Add(10), Kind: coach.Lubricate},
		coach.Service{Day: fitted.Add(150), Kind: coach.Lubricate})
	other := mk(coach.Service{Day: fitted.Add(10), Kind: coach.Lubricate, Slide: "other"})
	if !(two < one && one < dry) || other != dry {
		t.Errorf("worn dry %v, once %v, twice %v, another slide's %v", dry, one, two, other)
	}
	// 3 cycles a day for a year at 1.8 m, dry: 1095 x 0.02 x 0.005 x 1.8 mm of 0.5.
	if want := 1095 * .02 * .005 * 1.8 / .5; math.Abs(dry-want) > 1e-9 {
		t.Errorf("dry wear %v, want %v", dry, want)
	}
}

// No clock runs on a run whose bulb does not fit.
func TestMisfitStartsNoClock(t *testing.T) {
	b := setup(t)
	run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, FreeHeight: 30,
		Gaps: []unit.Length{11}}
	f := b.one(b.place(t, "Yuma, AZ"), coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsIn, Heading: -1}, run,
		coach.Part{Kind: coach.Bulb, Material: coach.EPDMSponge})
	if f.Hold.IsZero() || f.Likely != 0 || f.LifeUsed != 0 || len(f.Shares) != 0 {
		t.Errorf("%+v", f)
	}
}

// A gap read later decides the fit: a room that was adjusted fits again.
func TestGapsReadLaterDecideTheFit(t *testing.T) {
	b := setup(t)
	run := coach.Run{Position: coach.Outer, Side: coach.Top, Fitted: fitted, FreeHeight: 20, Gaps: []unit.Length{5}}
	gap := func(after int, mm float64) coach.Reading {
		return coach.Reading{Day: fitted.Add(after), Slide: "s", Run: "outer/top", Kind: coach.ClosedGap, Value: mm}
	}
	for _, c := range []struct {
		name string
		rs   []coach.Reading
		bad  bool
	}{
		{"as fitted", nil, true}, {"adjusted", []coach.Reading{gap(10, 12), gap(10, 13)}, false},
		{"one end still tight", []coach.Reading{gap(10, 12), gap(10, 6)}, true},
		{"worse again", []coach.Reading{gap(10, 12), gap(90, 19)}, true},
		{"not yet read", []coach.Reading{gap(500, 12)}, true},
	} {
		m := AsMeasured(&coach.Coach{Readings: c.rs}, "s", &run, fitted.Add(200))
		if why := b.engine.Misfit(&m); (!why.IsZero()) != c.bad {
			t.Errorf("%s: %q", c.name, why)
		}
	}
}

// BenchmarkDates finds the three dates of a part over 40 years from running sums;
// BenchmarkBareLoop adds the same daily rates day by day and notes when they pass
// the same limits. Budget: within 3 times the bare loop.
func BenchmarkDates(b *testing.B) {
	s := setup(b)
	ln, p := benchLine(b, s)
	end := s.engine.Horizon(fitted)
	for b.Loop() {
		ln.aging(s.engine.model(p, coach.Track), fitted, false).date(fitted, When{On: fitted}, end)
	}
}

func BenchmarkBareLoop(b *testing.B) {
	s := setup(b)
	ln, p := benchLine(b, s)
	m := s.engine.model(p, coach.Track)
	x := ln.exposed(m.surface)
	var daily [366]exposure.Rates
	for d := range daily {
		day := civil.Of(2024, 1, 1).Add(d)
		daily[d] = x.tables[0].Until(exposure.At(day+1)).Add(x.tables[0].Until(exposure.At(day)), -1)
	}
	last := fitted.DaysUntil(s.engine.Horizon(fitted))
	for b.Loop() {
		var sum exposure.Rates
		var dates [3]int
		for d := range last {
			sum = sum.Add(daily[d%366], 1)
			v := sum.Set*m.terms[0].per + sum.UV*m.terms[1].per
			for i, limit := range [3]float64{.6, 1, 1.6} {
				if dates[i] == 0 && v > limit {
					dates[i] = d
				}
			}
		}
	}
}

func benchLine(b *testing.B, s bench) (*line, *coach.Part) {
	run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted,
		Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted}}}
	c := &coach.Coach{Stays: []coach.Stay{{From: fitted, Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: -1}},
		Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}}
	l := Life{c, []*exposure.Place{s.place(b, "Columbus, OH")}}
	ln := lineCache{}.get(s.engine, l, &c.Slides[0], &c.Slides[0].Runs[0],
		exposure.Spans(c.Stays, fitted, s.engine.Horizon(fitted)+1), fitted, 60)
	return ln, &c.Slides[0].Runs[0].Parts[0]
}

func TestMisfit(t *testing.T) {
	b := setup(t)
	for _, c := range []struct {
		name string
		free unit.Length
		gaps []unit.Length
		bad  bool
	}{
		{"fits", 20, []unit.Length{12, 13}, false},
		{"crushed", 25.4, []unit.Length{11, 12}, true},
		{"hardly touches", 13, []unit.Length{11.5, 12}, true},
		{"uneven room", 20, []unit.Length{8, 19}, true},
		{"not measured", 0, []unit.Length{12}, false},
	} {
		if why := b.engine.Misfit(&coach.Run{FreeHeight: c.free, Gaps: c.gaps}); (!why.IsZero()) != c.bad {
			t.Errorf("%s: %q", c.name, why)
		}
	}
}
