package cycle_test

import (
	"fmt"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/exposure"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/testkit"
)

// tools returns the unchanging parts of a pass with the default rulebook and a
// horizon in years (0: the rulebook's).
func tools(t testing.TB, horizon float64) cycle.Tools {
	t.Helper()
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	if horizon > 0 {
		r.HorizonYears.Value = horizon
	}
	return cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(testkit.Tables(t)), Domain: "example.org"}
}

// benchCoach has 4 slides, 24 runs, 40 parts and 6 stays.
func benchCoach(t testing.TB) coach.Coach {
	t.Helper()
	c := coach.Coach{ID: "bench", Use: coach.Snowbird, People: []coach.Person{{Name: "Ann", Email: "ann@example.org"}}}
	day := civil.Of(2023, 4, 1)
	for i := range 6 {
		town, shelter, rooms := "Kelowna BC", coach.Carport, coach.RoomsIn
		if i%2 == 1 {
			town, shelter, rooms = "Yuma, AZ", coach.Open, coach.RoomsOut
		}
		p, err := testkit.Tables(t).Lookup(town)
		if err != nil {
			t.Fatal(err)
		}
		c.Stays = append(c.Stays, coach.Stay{Site: coach.Site{Name: p.Label(), Lat: p.Lat, Lon: p.Lon, Elev: p.Elev,
			Zone: p.Zone}, From: day, Until: day + 182, Shelter: shelter, Rooms: rooms, Cycles: .1, Heading: -1})
		day += 183
	}
	fitted := civil.Of(2023, 4, 1)
	for i := range 4 {
		s := coach.Slide{ID: coach.SlideID(fmt.Sprintf("s%d", i)), Wall: coach.Walls[i%3], Travel: 900}
		for _, pos := range coach.Positions {
			for j, side := range coach.Sides {
				if pos == coach.Inner && side == coach.Bottom || pos == coach.Inner && j == 3 {
					continue // 6 runs a slide
				}
				r := coach.Run{Position: pos, Side: side, Construction: coach.Track, Fitted: fitted,
					Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: fitted}}}
				if pos == coach.Outer {
					r.Parts = append(r.Parts, coach.Part{Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: fitted})
				}
				s.Runs = append(s.Runs, r)
			}
		}
		c.Slides = append(c.Slides, s)
	}
	return c
}

// BenchmarkEvaluate is one whole evaluation of one coach: 4 slides, 24 runs, 40
// parts, a 10-year horizon, 6 stays. Budget: 1 ms.
func BenchmarkEvaluate(b *testing.B) {
	t := tools(b, 10)
	c := benchCoach(b)
	runs, parts := 0, 0
	for _, s := range c.Slides {
		runs += len(s.Runs)
		for _, r := range s.Runs {
			parts += len(r.Parts)
		}
	}
	if runs != 24 || parts != 40 {
		b.Fatalf("%d runs, %d parts", runs, parts)
	}
	snap := cycle.Snapshot{Account: coach.Account{ID: "a", Name: "Shop", Zone: "America/Denver"},
		Today: civil.Of(2026, 2, 10), Members: []cycle.Member{{Coach: c}}}
	cycle.Evaluate(t, snap) // the shared rate tables are computed once
	b.ReportAllocs()
	for b.Loop() {
		cycle.Evaluate(t, snap)
	}
}

// BenchmarkRateTables is the first evaluation of a coach, which computes the
// daily rates of its places, faces and materials.
func BenchmarkRateTables(b *testing.B) {
	c := benchCoach(b)
	t := tools(b, 10)
	b.ReportAllocs()
	for b.Loop() {
		t.Engine = projection.NewEngine(t.Engine.Rules)
		t.Assess(&c, civil.Of(2026, 2, 10))
	}
}
