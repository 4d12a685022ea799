package exposure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
)

var rules = Rules{ViewTop: .6, ViewSide: .6, ViewBottom: .25, ViewBehind: .1, Topper: .35, Carport: .3, IndoorMean: 16,
	IndoorFollow: .4, CabinFollow: .6, UVActivation: 20}

// hot and mild are invented places with a sinusoidal year.
func place(id string, lat, mean, swing float64) *Place {
	p := &Place{ID: id, Normals: climate.Normals{Lat: lat}}
	for m := range p.Normals.Months {
		x := math.Cos(2 * math.Pi * (float64(m) - 6) / 12)
		p.Normals.Months[m] = climate.Month{Tmax: mean + 6 + swing*x, Tmin: mean - 6 + swing*x,
			Global: .6 * climate.Sun(lat, climate.MeanDay[m]).Ra}
	}
	return p
}

var (
	sponge = Surface{Absorptance: .9, SetEa: 91, HardEa: 75}
	top    = coach.Run{Position: coach.Outer, Side: coach.Top}
	slide  = coach.Slide{Wall: coach.Left}
	out    = coach.Stay{Shelter: coach.Open, Rooms: coach.RoomsOut, Heading: -1}
)

func dose(t *Table, a, b civil.Date) Rates { return t.Until(At(b)).Add(t.Until(At(a)), -1) }

// A period's dose equals the sum of its days, and equals the doses of its halves.
func TestDoseIsTheSumOfDays(t *testing.T) {
	tab := NewTables(rules).For(place("hot", 33, 24, 10), &out, &slide, &top, sponge)
	rapid.Check(t, func(t *rapid.T) {
		a := civil.Of(1996, 1, 1).Add(rapid.IntRange(0, 20000).Draw(t, "from"))
		n := rapid.IntRange(1, 1500).Draw(t, "days")
		cut := rapid.IntRange(0, n).Draw(t, "cut")
		whole := dose(tab, a, a.Add(n))
		halves := dose(tab, a, a.Add(cut)).Add(dose(tab, a.Add(cut), a.Add(n)), 1)
		var days Rates
		for i := range n {
			days = days.Add(dose(tab, a.Add(i), a.Add(i+1)), 1)
		}
		for i, w := range whole.list() {
			if math.Abs(w-halves.list()[i]) > 1e-7*(1+w) || math.Abs(w-days.list()[i]) > 1e-6*(1+w) {
				t.Fatalf("channel %d: whole %v, halves %v, days %v", i, w, halves.list()[i], days.list()[i])
			}
		}
	})
}

func TestEveryDayHasOneRate(t *testing.T) {
	tab := NewTables(rules).For(place("mild", 45, 9, 12), &out, &slide, &top, sponge)
	prev := -1.0
	for d := civil.Of(2023, 12, 1); d < civil.Of(2025, 3, 5); d++ {
		r := dose(tab, d, d+1)
		if r.Set <= 0 || r.UV <= 0 {
			t.Fatalf("%v: %+v", d, r)
		}
		if prev > 0 && math.Abs(r.Set-prev) > .15*prev+.01 {
			t.Fatalf("%v: rate jumps from %v to %v", d, prev, r.Set)
		}
		prev = r.Set
	}
}

// All else equal: hotter ages faster, shelter and topper slow it, a closed room
// hides the outer seal, and the wall that looks to the sun gets more of it.
func TestOrderOfExposure(t *testing.T) {
	tabs := NewTables(rules)
	mild, hot := place("mild", 40, 10, 10), place("hot", 40, 20, 10)
	year := func(p *Place, st coach.Stay, sl coach.Slide, r coach.Run) Rates {
		return dose(tabs.For(p, &st, &sl, &r, sponge), civil.Of(2025, 1, 1), civil.Of(2026, 1, 1))
	}
	with := func(f func(*coach.Stay)) coach.Stay { s := out; f(&s); return s }
	base := year(mild, out, slide, top)
	for name, less := range map[string]Rates{
		"topper":  year(mild, out, coach.Slide{Topper: true}, top),
		"carport": year(mild, with(func(s *coach.Stay) { s.Shelter = coach.Carport }), slide, top),
		"closed":  year(mild, with(func(s *coach.Stay) { s.Rooms = coach.RoomsIn }), slide, top),
		"bottom":  year(mild, out, slide, coach.Run{Position: coach.Outer, Side: coach.Bottom}),
	} {
		if less.UV >= base.UV || less.UV <= 0 {
			t.Errorf("%s: UV %v, open top %v", name, less.UV, base.UV)
		}
	}
	if h := year(hot, out, slide, top); h.Set <= base.Set || h.UV <= base.UV {
		t.Errorf("ten degrees hotter: %+v, base %+v", h, base)
	}
	if in := year(hot, with(func(s *coach.Stay) { s.Shelter = coach.Indoor }), slide, top); in.UV != 0 ||
		in.Set >= year(hot, out, slide, top).Set {
		t.Errorf("indoors: %+v", in)
	}
	aft := coach.Run{Position: coach.Outer, Side: coach.Aft}
	south := year(mild, with(func(s *coach.Stay) { s.Heading = 270 }), slide, aft) // nose west: left wall looks south
	north := year(mild, with(func(s *coach.Stay) { s.Heading = 90 }), slide, aft)
	if south.UV <= north.UV {
		t.Errorf("south wall UV %v, north wall %v", south.UV, north.UV)
	}
}

func TestSpans(t *testing.T) {
	d := civil.Of
	stays := []coach.Stay{
		{From: d(2024, 5, 1), Until: d(2024, 9, 30)},
		{From: d(2024, 11, 1), Until: d(2025, 3, 31)},
		{From: d(2025, 4, 1), Until: d(2025, 10, 31)},
	}
	got := Spans(stays, d(2024, 1, 1), d(2027, 1, 1))
	for i := 1; i < len(got); i++ {
		if got[i].From.Day != got[i-1].Until.Day {
			t.Fatalf("gap before %v", got[i].From.Day)
		}
	}
	if got[0].From.Day != d(2024, 1, 1) || got[len(got)-1].Until.Day != d(2027, 1, 1) {
		t.Errorf("covers %v to %v", got[0].From.Day, got[len(got)-1].Until.Day)
	}
	at := func(day civil.Date) int {
		for _, s := range got {
			if s.From.Day <= day && day < s.Until.Day {
				return s.Stay
			}
		}
		return -1
	}
	for _, c := range []struct {
		day  civil.Date
		stay int
	}{
		{d(2024, 2, 1), 0}, {d(2024, 10, 15), 0}, {d(2024, 12, 25), 1}, {d(2025, 6, 1), 2},
		{d(2025, 12, 25), 1}, {d(2026, 6, 1), 2}, {d(2026, 11, 30), 1},
	} {
		if s := at(c.day); s != c.stay {
			t.Errorf("%v: stay %d, want %d", c.day, s, c.stay)
		}
	}
	open := Spans([]coach.Stay{{From: d(2025, 1, 1)}}, d(2024, 6, 1), d(2030, 1, 1))
	if len(open) != 1 || open[0].Until.Day != d(2030, 1, 1) {
		t.Errorf("open stay: %v", open)
	}
	if s := Spans([]coach.Stay{{From: d(2025, 1, 1), Until: d(2025, 2, 1)}}, d(2025, 1, 1), d(2026, 1, 1)); len(s) != 1 {
		t.Errorf("a short known history holds on: %v", s)
	}
	cut := Split(got, []civil.Date{d(2024, 6, 1), d(2024, 6, 1), d(2026, 6, 1)})
	if len(cut) != len(got)+2 {
		t.Errorf("split into %d from %d", len(cut), len(got))
	}
}

// What is known of a stay's topper outranks what is known of the slide's.
func TestToppersOfStays(t *testing.T) {
	yes, no := true, false
	uv := func(ofSlide bool, ofStay *bool) float64 {
		s, st := slide, out
		s.Topper, st.Topper = ofSlide, ofStay
		tab := NewTables(rules).For(place("hot", 33, 24, 10), &st, &s, &top, sponge)
		return dose(tab, civil.Of(2026, 6, 1), civil.Of(2026, 7, 1)).UV
	}
	bare, covered := uv(false, nil), uv(true, nil)
	if covered >= bare/2 {
		t.Fatalf("a topper leaves %v of %v", covered, bare)
	}
	for _, c := range []struct {
		slide bool
		stay  *bool
		want  float64
	}{{false, &yes, covered}, {true, &no, bare}, {true, &yes, covered}, {false, &no, bare}} {
		if got := uv(c.slide, c.stay); got != c.want {
			t.Errorf("slide %v, stay %v: %v, want %v", c.slide, *c.stay, got, c.want)
		}
	}
}
