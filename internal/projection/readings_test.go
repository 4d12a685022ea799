package projection

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/unit"
)

// withReadings forecasts the bulb and the wiper of a run five years after their
// fitting, rooms in, with readings.
func (b bench) withReadings(p *exposure.Place, rs ...coach.Reading) map[coach.PartKind]Forecast {
	run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: coach.Track, Fitted: fitted, FreeHeight: 20,
		Gaps: []unit.Length{12},
		Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted},
			{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: fitted}}}
	c := &coach.Coach{Stays: []coach.Stay{{From: fitted, Shelter: coach.Open, Rooms: coach.RoomsIn, Heading: -1,
		Cycles: .1}}, Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}, Readings: rs}
	out := map[coach.PartKind]Forecast{}
	for _, f := range b.engine.Run(Life{c, []*exposure.Place{p}}, When{On: fitted.Add(5 * 365), CareDays: 60}) {
		out[f.Part] = f
	}
	return out
}

func reading(k coach.ReadingKind, part coach.PartKind, after int, value float64, by string) coach.Reading {
	return coach.Reading{Day: fitted.Add(after), Slide: "s", Run: "outer/top", Part: part, Kind: k, Value: value, By: by}
}

func TestReadingsMoveDates(t *testing.T) {
	b := setup(t)
	p := b.place(t, "Columbus, OH")
	base := b.withReadings(p)
	later, earlier := 1, -1
	for _, c := range []struct {
		name string
		rs   []coach.Reading
		part coach.PartKind
		want int // sign of the move of Likely
		flag string
	}{
		{"flat bulb", []coach.Reading{reading(coach.BulbHeight, coach.Bulb, 1500, 13.6, "shop")}, coach.Bulb, earlier, ""},
		{"springy bulb", []coach.Reading{reading(coach.BulbHeight, coach.Bulb, 1500, 18.5, "shop")}, coach.Bulb, later, ""},
		{"taller than new", []coach.Reading{reading(coach.BulbHeight, coach.Bulb, 1500, 23, "shop")}, coach.Bulb, 0,
			"taller than new"},
		{"flatter than its gap", []coach.Reading{reading(coach.BulbHeight, coach.Bulb, 1500, 8, "shop")}, coach.Bulb, 0,
			"check the reading"},
		{"durometer on a sponge bulb", []coach.Reading{reading(coach.ShoreA, coach.Bulb, 1500, 90, "shop")}, coach.Bulb, 0,
			"kept as a note"},
		{"hard wiper", []coach.Reading{reading(coach.ShoreA, coach.Wiper, 1500, 76, "shop")}, coach.Wiper, earlier, ""},
		{"soft wiper", []coach.Reading{reading(coach.ShoreA, coach.Wiper, 1500, 62, "shop")}, coach.Wiper, later, ""},
		{"softer than new", []coach.Reading{reading(coach.ShoreA, coach.Wiper, 1500, 50, "shop")}, coach.Wiper, 0,
			"softer than new"},
		{"the day of the fitting", []coach.Reading{reading(coach.ShoreA, coach.Wiper, 0, 60, "shop")}, coach.Wiper, 0,
			"too soon"},
		{"before the fitting", []coach.Reading{reading(coach.ShoreA, coach.Wiper, -10, 80, "shop")}, coach.Wiper, 0, ""},
		{"owner against shop", []coach.Reading{reading(coach.ShoreA, coach.Wiper, 1480, 85, "owner"),
			reading(coach.ShoreA, coach.Wiper, 1500, 62, "shop")}, coach.Wiper, later, "outranks"},
		{"first lip", []coach.Reading{reading(coach.LipThickness, coach.Wiper, 10, 2, "shop")}, coach.Wiper, 0,
			"first thickness"},
		{"strip test", []coach.Reading{reading(coach.PaperStrip, coach.Wiper, 900, 0, "shop")}, coach.Wiper, 0,
			"moves no date"},
	} {
		f := b.withReadings(p, c.rs...)[c.part]
		move := int(f.Likely - base[c.part].Likely)
		if (move > 0) != (c.want > 0) || (move < 0) != (c.want < 0) {
			t.Errorf("%s: likely moved by %d days, want sign %d (%+v)", c.name, move, c.want, f.Readings)
		}
		if c.flag != "" && (len(f.Readings) == 0 || !strings.Contains(f.Readings[0].Flag, c.flag)) {
			t.Errorf("%s: flags %+v, want %q", c.name, f.Readings, c.flag)
		}
	}
	// A shop's reading moves the date more than the same reading of an owner's.
	s := b.withReadings(p, reading(coach.ShoreA, coach.Wiper, 1500, 76, "shop"))[coach.Wiper]
	o := b.withReadings(p, reading(coach.ShoreA, coach.Wiper, 1500, 76, "owner"))[coach.Wiper]
	if !(s.Likely < o.Likely && o.Likely < base[coach.Wiper].Likely) {
		t.Errorf("shop %v, owner %v, none %v", s.Likely, o.Likely, base[coach.Wiper].Likely)
	}
	// The band narrows, but never below the evidence.
	width := func(f Forecast) float64 { return years(f, f.Late) / years(f, f.Early) }
	if width(s) >= width(base[coach.Wiper]) || width(s) < math.Exp(2*1.28*b.engine.Rules.Readings.LeastBand.Value)*.9 {
		t.Errorf("the band went from a factor of %.2f to %.2f", width(base[coach.Wiper]), width(s))
	}
}

// A reading that shows just what the rules predict leaves the rate where it is,
// whatever the construction; no crack while none is expected says nothing.
func TestReadingsAsPredicted(t *testing.T) {
	b := setup(t)
	p := b.place(t, "Columbus, OH")
	for _, construction := range coach.Constructions {
		run := coach.Run{Position: coach.Outer, Side: coach.Top, Construction: construction, Fitted: fitted, FreeHeight: 20,
			Gaps: []unit.Length{12},
			Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted},
				{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: fitted}}}
		c := &coach.Coach{Stays: []coach.Stay{{From: fitted, Shelter: coach.Open, Rooms: coach.RoomsIn, Heading: -1,
			Cycles: 3}}, Slides: []coach.Slide{{ID: "s", Wall: coach.Left, Runs: []coach.Run{run}}}}
		l := Life{c, []*exposure.Place{p}}
		on := fitted.Add(1500)
		ln := lineCache{}.get(b.engine, l, &c.Slides[0], &c.Slides[0].Runs[0], exposure.Spans(c.Stays, fitted, on.Add(10)),
			on, 60)
		bulb := ln.aging(b.engine.model(&run.Parts[0], construction), fitted, false)
		limit := b.engine.Rules.Materials[coach.EPDMSponge].Set.Limit.Value
		beta := b.engine.Rules.Materials[coach.EPDMSponge].Set.Beta.Value
		set := -math.Expm1(math.Log1p(-limit) * math.Pow(bulb.ratio(coach.CompressionSet, on), beta))
		wiper := ln.aging(b.engine.model(&run.Parts[1], construction), fitted, false)
		lip := b.engine.Rules.Abrasion.LipLimit.Value
		first, now := 2-lip*wiper.ratio(coach.Abrasion, fitted.Add(700)), 2-lip*wiper.ratio(coach.Abrasion, on)
		c.Readings = []coach.Reading{
			reading(coach.CrackGrade, coach.Wiper, 200, 0, "shop"), reading(coach.LipThickness, coach.Wiper, 700, first, "shop"),
			reading(coach.BulbHeight, coach.Bulb, 1500, 20-8*set, "shop"), reading(coach.LipThickness, coach.Wiper, 1500, now,
				"shop"),
		}
		for _, f := range b.engine.Run(l, When{On: on, CareDays: 60}) {
			for _, u := range f.Readings {
				if u.Mechanism != "" && math.Abs(u.Rate-1) > .01 {
					t.Errorf("%s %s on %s: rate %.3f after a reading as predicted", construction, u.Reading.Kind, f.Part, u.Rate)
				}
				if u.Reading.Kind == coach.CrackGrade && !strings.Contains(u.Flag, "as the rules expect") {
					t.Errorf("%s: a clean lip early on: %+v", construction, u)
				}
			}
		}
	}
}

// Whatever is read, dates stay in order, after the fitting, and finite.
func TestAnyReadingsKeepTheOrder(t *testing.T) {
	b := setup(t)
	p := b.place(t, "Yuma, AZ")
	rapid.Check(t, func(t *rapid.T) {
		var rs []coach.Reading
		for range rapid.IntRange(0, 6).Draw(t, "n") {
			rs = append(rs, reading(coach.ReadingKinds[rapid.IntRange(0, len(coach.ReadingKinds)-1).Draw(t, "kind")],
				coach.PartKinds[rapid.IntRange(0, 4).Draw(t, "part")],
				rapid.IntRange(-400, 2500).Draw(t, "day"), rapid.Float64Range(0, 120).Draw(t, "value"),
				[]string{"shop", "owner"}[rapid.IntRange(0, 1).Draw(t, "by")]))
		}
		for _, f := range b.withReadings(p, rs...) {
			if !f.Hold.IsZero() { // a gap was read that the bulb does not fit: no date at all
				if f.Likely != 0 {
					t.Fatalf("a date on hold: %+v", f)
				}
				continue
			}
			if f.Early < f.Fitted || f.Early > f.Likely || f.Likely > f.Late || math.IsNaN(f.LifeUsed) || math.IsInf(f.LifeUsed,
				0) || f.LifeUsed < 0 {
				t.Fatalf("%+v", f)
			}
		}
	})
}

func TestDangerHoldsTheSlide(t *testing.T) {
	day := civil.Of(2026, 2, 6)
	light := coach.Reading{Day: day, Slide: "s", Run: "outer/top", Kind: coach.Light, Value: 1, By: "owner"}
	for _, c := range []struct {
		name string
		c    coach.Coach
		held bool
	}{
		{"light", coach.Coach{Readings: []coach.Reading{light}}, true},
		{"another slide", coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "t", Kind: coach.SoftFloor, Value: 1}}},
			false},
		{"no light since", coach.Coach{Readings: []coach.Reading{light, {Day: day + 3, Slide: "s", Kind: coach.Light}}},
			false},
		{"damp only", coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.HoseTest, Value: 1}}}, false},
		{"drip", coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.HoseTest, Value: 2}}}, true},
		{"repaired by the shop", coach.Coach{Readings: []coach.Reading{light},
			Services: []coach.Service{{Day: day + 5, Kind: coach.ReplaceSeal, By: "shop", Slide: "s"}}}, false},
		{"conditioned by the owner",
			coach.Coach{Readings: []coach.Reading{light},
				Services: []coach.Service{{Day: day + 5, Kind: coach.Lubricate, By: "owner", Slide: "s"}}}, true},
		{"inspected the same day",
			coach.Coach{Readings: []coach.Reading{light},
				Services: []coach.Service{{Day: day, Kind: coach.Inspect, By: "shop", Slide: "s"}}}, true},
		{"replaced the same day", coach.Coach{Readings: []coach.Reading{light},
			Services: []coach.Service{{Day: day, Kind: coach.ReplaceSeal, By: "shop", Slide: "s", Run: "outer/top"}}}, false},
		{"dry on another run", coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Run: "outer/top",
			Kind: coach.HoseTest, Value: 3}, {Day: day + 1, Slide: "s", Run: "outer/bottom", Kind: coach.HoseTest}}}, true},
		{"light, then drip, then dry",
			coach.Coach{Readings: []coach.Reading{light, {Day: day + 1, Slide: "s", Run: "outer/top", Kind: coach.HoseTest,
				Value: 2}, {Day: day + 2, Slide: "s", Run: "outer/top", Kind: coach.HoseTest}}}, true},
		{"inspected later, of which nothing is told",
			coach.Coach{Readings: []coach.Reading{light},
				Services: []coach.Service{{Day: day + 5, Kind: coach.Inspect, By: "shop"},
					{Day: day + 5, Kind: coach.WaterTest, By: "shop", Slide: "s"}, {Day: day + 5, Kind: coach.SafetyStop, By: "shop",
						Slide: "s"}}}, true},
		{"every run renewed", coach.Coach{Slides: []coach.Slide{{ID: "s",
			Runs: []coach.Run{{Position: coach.Outer, Side: coach.Top}}}},
			Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.Light, Value: 1, By: "shop"}},
			Services: []coach.Service{{Day: day + 1, Kind: coach.ReplaceSeal, By: "shop", Slide: "s", Run: "outer/top"}}},
			false},
		{"one run of two renewed",
			coach.Coach{Slides: []coach.Slide{{ID: "s", Runs: []coach.Run{{Position: coach.Outer, Side: coach.Top},
				{Position: coach.Outer, Side: coach.Fore}}}},
				Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.Light, Value: 1, By: "shop"}},
				Services: []coach.Service{{Day: day + 1, Kind: coach.ReplaceSeal, By: "shop", Slide: "s", Run: "outer/top"}}},
			true},
		{"a floor that gives, and new seals",
			coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.SoftFloor, Value: 1}},
				Services: []coach.Service{{Day: day + 1, Kind: coach.ReplaceSeal, By: "shop"}}}, true},
		{"water after the work of the day",
			coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.HoseTest, Value: 3}},
				Services: []coach.Service{{Day: day, Kind: coach.ReplaceSeal, By: "shop"}}}, true},
		{"the owner sees no light where the shop did",
			coach.Coach{Readings: []coach.Reading{{Day: day, Slide: "s", Kind: coach.Light, Value: 1, By: "shop"},
				{Day: day + 1, Slide: "s", Kind: coach.Light, By: "owner"}}}, true},
		{"inspected before", coach.Coach{Readings: []coach.Reading{light},
			Services: []coach.Service{{Day: day - 5, Kind: coach.Inspect, By: "shop", Slide: "s"}}}, true},
	} {
		if _, held := c.c.DangerOn("s", day+10); held != c.held {
			t.Errorf("%s: held %v", c.name, held)
		}
	}
}
