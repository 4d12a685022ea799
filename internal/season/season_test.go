package season

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/unit"
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

var on = civil.Of(2026, 2, 9) // a Monday

var spring = civil.Season{Opens: civil.MonthDay{Month: 4, Day: 20}, Closes: civil.MonthDay{Month: 10, Day: 10}}

// member is an invented coach with one slide of four outer runs and the given
// tasks.
func member(id string, c coach.Construction, tasks ...plan.Task) Member {
	k := &coach.Coach{ID: coach.ID(id),
		Stays:  []coach.Stay{{Site: coach.Site{Name: "Kiln Flat", Lat: 39, Lon: -108}, From: on - 900, Shelter: coach.Open}},
		Slides: []coach.Slide{{ID: "s", Width: 12 * unit.Foot, Height: 6 * unit.Foot}}}
	for _, side := range coach.Sides {
		r := coach.Run{Position: coach.Outer, Side: side, Construction: c, Fitted: on - 900,
			Parts: []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: on - 900, Lot: coach.UnknownLot}}}
		if c == coach.PeelStick {
			r.Parts = append(r.Parts, coach.Part{Kind: coach.Adhesive, Material: coach.AcrylicTape, Fitted: on - 900,
				Lot: coach.UnknownLot})
		}
		k.Slides[0].Runs = append(k.Slides[0].Runs, r)
	}
	x := Member{Coach: k, Setting: plan.Setting{Season: spring}, Tasks: tasks}
	for m := range x.Setting.Lows {
		x.Setting.Lows[m] = 20
	}
	return x
}

func task(kind coach.TaskKind, side coach.Side, earliest, target, latest int) plan.Task {
	t := plan.Task{Kind: kind, Slide: "s", Run: "s", Anchor: on - 900, Earliest: on.Add(earliest), Target: on.Add(target),
		Latest: on.Add(latest), Why: wording.Say("Because.")}
	if side != "" {
		t.Run, t.Part = "s/outer/"+string(side), coach.Bulb
	}
	return t
}

func planFor(t testing.TB, shop coach.Workshop, members ...Member) Plan {
	if shop.Travel == 0 {
		shop.Travel = -1
	}
	return Make(Input{Rules: rules(t), Shop: &shop, Members: members, On: on, Weeks: 20})
}

func TestOneVisitForAll(t *testing.T) {
	p := planFor(t, coach.Workshop{}, member("a", coach.Track,
		task(coach.Inspect, "", 20, 50, 80), task(coach.WaterTest, "", 40, 70, 120),
		task(coach.ReplaceBulb, coach.Top, -200, 56, 70), task(coach.ReplaceSeal, coach.Top, 0, 60, 75),
		task(coach.ReplaceBulb, coach.Fore, 0, 56, 70)))
	if len(p.Visits) != 1 || len(p.Late) != 0 || len(p.Problems) != 0 {
		t.Fatalf("%+v", p)
	}
	v := p.Visits[0]
	kinds := ""
	for _, x := range v.Tasks {
		kinds += string(x.Kind) + " "
	}
	if kinds != "water_test inspect replace_bulb replace_seal " {
		t.Errorf("tasks %q: the bulb of a seal that is changed whole is not changed apart", kinds)
	}
	if v.Day < v.First || v.Day > v.Latest || !strings.Contains(strings.Join(v.Notes, ";"), "bulb only at s/outer/fore") {
		t.Errorf("%+v", v)
	}
	// 0.3-0.5 inspection, 0.5-1 hose, bulb and track at no less than 0.4 of the face.
	if v.Low < 2 || v.Low > 2.3 || v.High < 4.4 || v.High > 4.6 {
		t.Errorf("hours %.2f to %.2f", v.Low, v.High)
	}
}

func TestWeeksAreLevelled(t *testing.T) {
	var ms []Member
	for i := range 6 {
		ms = append(ms, member(fmt.Sprint("c", i), coach.PushOn, task(coach.ReplaceSeal, coach.Top, 0, 56, 63)))
	}
	p := planFor(t, coach.Workshop{Hours: map[coach.Skill]float64{coach.PushOnWork: 2}}, ms...)
	for _, b := range p.Bays {
		if b.Load[1] > 2+1e-9 {
			t.Errorf("week %s has %.1f h", b.Week.Week(), b.Load[1])
		}
	}
	if len(p.Late) > 0 || len(p.Short) > 0 {
		t.Errorf("late %v, short %v", p.Late, p.Short)
	}
	before := 0.0
	for _, b := range p.Bays {
		before = max(before, b.Before.Sum())
	}
	if before < 5 {
		t.Errorf("busiest week before levelling: %.1f h", before)
	}
}

func TestOverloadIsNamed(t *testing.T) {
	var ms []Member
	for i := range 6 {
		x := task(coach.ReplaceSeal, coach.Top, 50, 56, 63)
		if i == 5 {
			x.Earliest = on.Add(8)
			x.Target = on.Add(160) // may come earlier, but the plan would not ask it to
			x.Latest = on.Add(160)
		}
		ms = append(ms, member(fmt.Sprint("c", i), coach.PushOn, x))
	}
	p := planFor(t, coach.Workshop{Hours: map[coach.Skill]float64{coach.PushOnWork: 1}}, ms...)
	if len(p.Short) != 1 || p.Short[0].Skill != coach.PushOnWork || p.Short[0].Need-p.Short[0].Room < .4 ||
		len(p.Late) == 0 {
		t.Fatalf("short %+v, late %v", p.Short, p.Late)
	}
	if w := p.Short[0]; w.First > on.Add(50) || w.Last < on.Add(57) {
		t.Errorf("weeks %s to %s", w.First, w.Last)
	}
}

func TestRentalGaps(t *testing.T) {
	m := member("r", coach.PushOn, task(coach.ReplaceSeal, coach.Top, 30, 40, 60))
	m.Coach.Bookings = []coach.Booking{{From: on.Add(20), Until: on.Add(44)}, {From: on.Add(47), Until: on.Add(52)}}
	p := planFor(t, coach.Workshop{}, m)
	if len(p.Visits) != 1 || len(p.Late) != 0 {
		t.Fatalf("%+v", p)
	}
	if d := p.Visits[0].Day; let(m.Coach, d-1, d+1) {
		t.Errorf("it comes on %s with no day to travel", d)
	}
	m.Coach.Bookings = []coach.Booking{{From: on, Until: on.Add(300)}}
	p = planFor(t, coach.Workshop{}, m)
	if len(p.Late) != 1 || !strings.Contains(p.Late[0].Why, "gap") {
		t.Errorf("booked throughout: %+v", p.Late)
	}
}

func TestAdhesiveWaitsForWarmth(t *testing.T) {
	m := member("w", coach.PeelStick, task(coach.Rebond, coach.Top, 10, 30, 100))
	for i := range m.Setting.Lows {
		m.Setting.Lows[i] = float64(i)*5 - 5 // 10 °C from April on
	}
	p := planFor(t, coach.Workshop{}, m)
	if len(p.Visits) != 1 || p.Visits[0].Day < civil.Of(2026, 4, 1) || p.Visits[0].CureUntil < p.Visits[0].Day.Add(3) {
		t.Fatalf("%+v", p.Visits)
	}
	if p = planFor(t, coach.Workshop{Heated: true}, m); p.Visits[0].Day >= civil.Of(2026, 4, 1) {
		t.Errorf("a heated bay need not wait: %s", p.Visits[0].Day)
	}
	for i := range m.Setting.Lows {
		m.Setting.Lows[i] = 0
	}
	if p = planFor(t, coach.Workshop{}, m); len(p.Visits) != 1 || len(p.Problems)+len(p.Late) > 1 {
		t.Errorf("never warm: %+v", p)
	}
}

func TestTooFarGoesToAPartner(t *testing.T) {
	m := member("f", coach.Track, task(coach.Inspect, "", 10, 30, 60))
	shop := coach.Workshop{Site: &coach.Site{Lat: 49, Lon: -119}, ReachKM: 300,
		Partners: []coach.Partner{{Name: "Bench Two", Site: coach.Site{Lat: 39.5, Lon: -108}}}}
	if p := planFor(t, shop, m); len(p.Visits) != 0 || len(p.Elsewhere) != 1 || p.Elsewhere[0].Partner != "Bench Two" {
		t.Errorf("%+v", p)
	}
	shop.Partners = nil
	if p := planFor(t, shop, m); p.Elsewhere[0].Partner != "a shop near Kiln Flat" {
		t.Errorf("%+v", p.Elsewhere)
	}
}

// What a person got wrong costs one line each; the rest of the plan stands.
func TestBadInputLeavesTheRest(t *testing.T) {
	shop := coach.Workshop{Hours: map[coach.Skill]float64{coach.AdhesiveWork: 0},
		Pins: []coach.Pin{{Coach: "a", Day: on.Add(30)}, {Coach: "a", Day: on.Add(44)}, {Coach: "nobody", Day: on.Add(9)},
			{Coach: "b", Day: on - 30}}}
	p := planFor(t, shop, member("a", coach.Track, task(coach.Inspect, "", 0, 30, 60)),
		member("b", coach.PeelStick, task(coach.Rebond, coach.Top, 0, 30, 60)),
		member("c", coach.Track, task(coach.Inspect, "", 60, 30, 20)),
		member("d", coach.Track, task(coach.Inspect, "", 0, 30, 60)))
	all := strings.Join(p.Problems, "\n")
	for _, want := range []string{"a on 2026-03-25", "nobody on ", "b on 2026-01-10: the appointment is outside"} {
		if strings.Count(all, want) != 1 {
			t.Errorf("%q is not said once in:\n%s", want, all)
		}
	}
	days := map[coach.ID]civil.Date{}
	for _, v := range p.Visits {
		days[v.Coach] = v.Day
	}
	if days["a"] != on.Add(30) || days["c"] == 0 || days["d"] == 0 {
		t.Errorf("days %v", days)
	}
	if k := slices.IndexFunc(p.Late, func(l Late) bool { return l.Coach == "b" }); k < 0 ||
		!strings.Contains(p.Late[k].Why, "no hours for adhesive") {
		t.Errorf("late %+v", p.Late)
	}
}

func TestRePlanMovesLittle(t *testing.T) {
	var ms []Member
	for i := range 8 {
		ms = append(ms, member(fmt.Sprint("c", i), coach.PushOn, task(coach.ReplaceSeal, coach.Top, 0, 40+i, 90)))
	}
	shop := coach.Workshop{Travel: -1, Hours: map[coach.Skill]float64{coach.PushOnWork: 2},
		Stock: []coach.Stock{{Profile: "push-on trim, epdm_sponge", Coils: 1}}}
	first := Make(Input{Rules: rules(t), Shop: &shop, Members: ms, On: on, Weeks: 20})
	again := Make(Input{Rules: rules(t), Shop: &shop, Members: ms, On: on + 1, Weeks: 20, Last: first.Visits})
	if len(again.Moves) != 0 {
		t.Errorf("nothing changed but %v moved", again.Moves)
	}
	for i := range again.Visits {
		if again.Visits[i].Day != first.Visits[i].Day {
			t.Errorf("%s: %s became %s", again.Visits[i].Coach, first.Visits[i].Day, again.Visits[i].Day)
		}
	}
	day := first.Visits[0].Day
	urgent := task(coach.ReplaceSeal, coach.Top, 0, 1, int(day-on)+1)
	urgent.Earliest = day
	more := Make(Input{Rules: rules(t), Shop: &shop, Members: append(ms, member("u", coach.PushOn, urgent)), On: on,
		Weeks: 20, Last: first.Visits})
	if len(more.Moves) != 1 || !strings.Contains(more.Moves[0].Why, "room for u") {
		t.Errorf("%+v", more.Moves)
	}
}

func TestPartsAndOrders(t *testing.T) {
	x := task(coach.ReplaceBulb, coach.Top, 0, 56, 70)
	m := member("p", coach.Track, x)
	m.Forecasts = []projection.Forecast{{Slide: "s", Run: x.Run, Part: coach.Bulb, Construction: coach.Track,
		Governing: coach.Weathering, Early: on + 10, Likely: on + 75, Late: on + 900}}
	p := planFor(t, coach.Workshop{Stock: []coach.Stock{{Profile: "epdm_sponge bulb", Coil: 25 * unit.Foot, Lead: 40}}}, m)
	if len(p.Parts) == 0 || p.Parts[0].Profile != "epdm_sponge bulb" {
		t.Fatalf("%+v", p.Parts)
	}
	sum := 0.0
	for _, n := range p.Parts {
		sum += n.Pieces
		if n.Expected > n.High+unit.Foot && n.Pieces > .5 {
			t.Errorf("%+v", n)
		}
	}
	if sum < .5 || sum > 1 {
		t.Errorf("%.2f pieces of one", sum)
	}
	v := p.Visits[0]
	if want := max(on, v.Day-40); p.Parts[0].OrderBy != want {
		t.Errorf("visit %s, order by %s, want %s", v.Day, p.Parts[0].OrderBy, want)
	}
	if v.Day < on+40 {
		t.Errorf("it comes on %s, before its bulb can be there", v.Day)
	}
	if c := p.Cuts; len(c) != 1 || !c[0].New || !c[0].Optimal || c[0].Pieces[0].Length != 12*unit.Foot+50 ||
		c[0].Remnant+c[0].Waste+c[0].Pieces[0].Length-25*unit.Foot > 1 {
		t.Errorf("%+v", p.Cuts)
	}
}

// Whatever the tasks, every task is in one visit or one late line, hours stay
// within the bays, and nothing comes before it can.
func TestNothingIsLost(t *testing.T) {
	r := rules(t)
	rapid.Check(t, func(t *rapid.T) {
		var ms []Member
		n := 0
		for i := range rapid.IntRange(1, 5).Draw(t, "coaches") {
			m := member(fmt.Sprint("c", i), rapid.SampledFrom(coach.Constructions).Draw(t, "construction"))
			for k := range rapid.IntRange(1, 5).Draw(t, "tasks") {
				e := rapid.IntRange(-60, 100).Draw(t, "earliest")
				x := task(rapid.SampledFrom([]coach.TaskKind{coach.Inspect, coach.WaterTest, coach.ReplaceBulb, coach.Rebond,
					coach.Refit}).Draw(t, "kind"), "", e, e+rapid.IntRange(0, 30).Draw(t, "t"), e+rapid.IntRange(30, 60).Draw(t, "l"))
				if fits(x.Kind) {
					x.Run = "s/outer/" + string(coach.Sides[k%4])
				}
				x.Anchor -= civil.Date(k)
				if x.Target < on+140 {
					n++
				}
				m.Tasks = append(m.Tasks, x)
			}
			for range rapid.IntRange(0, 3).Draw(t, "bookings") {
				a := rapid.IntRange(0, 120).Draw(t, "from")
				m.Coach.Bookings = append(m.Coach.Bookings,
					coach.Booking{From: on.Add(a), Until: on.Add(a + rapid.IntRange(0, 30).Draw(t, "days"))})
			}
			ms = append(ms, m)
		}
		p := Make(Input{Rules: r, Shop: &coach.Workshop{Travel: -1}, Members: ms, On: on, Weeks: 20})
		got := 0
		for _, v := range p.Visits {
			got += len(v.Tasks)
			if v.Day < on || let(ms[slices.IndexFunc(ms, func(m Member) bool {
				return m.Coach.ID == v.Coach
			})].Coach, v.Day, v.Day) {
				t.Fatalf("visit %+v", v)
			}
		}
		for _, l := range p.Late {
			if l.Day == 0 {
				got++
			}
		}
		if got > n || got < n-bulbsInSeals(ms) {
			t.Fatalf("%d tasks of %d: %+v", got, n, p)
		}
		for _, b := range p.Bays {
			for k := range b.Load {
				if b.Load[k] > b.Capacity[k]+1e-9 {
					t.Fatalf("%s holds %v of %v", b.Week, b.Load, b.Capacity)
				}
			}
		}
	})
}

// bulbsInSeals counts the bulbs and adhesive lines that may go with a whole seal.
func bulbsInSeals(ms []Member) (n int) {
	for _, m := range ms {
		for _, t := range m.Tasks {
			if t.Kind == coach.ReplaceBulb || t.Kind == coach.Rebond {
				n++
			}
		}
	}
	return n
}

// Overdue work keeps its day while the plan is made again every few days, and
// comes; it does not recede.
func TestOverdueWorkArrives(t *testing.T) {
	ms := []Member{member("o", coach.Track, task(coach.ReplaceBulb, coach.Top, -400, -300, -200),
		task(coach.Inspect, "", -90, -60, -20))}
	ms[0].Tasks[1].Every = 100
	shop := coach.Workshop{Travel: -1}
	var last []Visit
	var first civil.Date
	for d := on; d < on+21; d += 3 {
		p := Make(Input{Rules: rules(t), Shop: &shop, Members: ms, On: d, Weeks: 20, Last: last})
		if first == 0 {
			first = p.Visits[0].Day
		}
		if p.Visits[0].Day != first || len(p.Moves) != 0 {
			t.Fatalf("on %s it comes on %s, was %s; moves %v", d, p.Visits[0].Day, first, p.Moves)
		}
		if len(last) > 0 && (len(p.Visits) != len(last) || p.Visits[1].Day != last[1].Day) {
			t.Fatalf("on %s the repeated look moved: %v, was %v", d, p.Visits[1].Day, last[1].Day)
		}
		last = p.Visits
	}
}

// A visit of several days stands between two bookings with all of them.
func TestLongVisitsFitTheirGap(t *testing.T) {
	m := member("l", coach.Track)
	for _, side := range coach.Sides {
		m.Tasks = append(m.Tasks, task(coach.ReplaceSeal, side, 0, 30, 100))
	}
	m.Coach.Bookings = []coach.Booking{{From: on, Until: on.Add(30)}, {From: on.Add(34), Until: on.Add(60)}}
	p := planFor(t, coach.Workshop{Work: map[string][2]float64{rulebook.WorkTrack: {10, 24}}}, m)
	if len(p.Visits) != 1 || p.Visits[0].Day <= on+60 {
		t.Errorf("four days of work come on %+v", p.Visits)
	}
}

// A visit that is late anyway waits for the next one when that is days away.
func TestCloseVisitsAreOne(t *testing.T) {
	m := member("c", coach.Track, task(coach.Inspect, "", -90, -60, -20), task(coach.WaterTest, "", 62, 70, 90))
	m.Tasks[0].Every = 100
	m.Coach.Bookings = []coach.Booking{{From: on, Until: on.Add(58)}}
	p := planFor(t, coach.Workshop{}, m)
	if len(p.Visits) != 1 || len(p.Visits[0].Tasks) != 2 || p.Visits[0].Day < on+62 {
		t.Errorf("%+v", p.Visits)
	}
}

// It waits until the second week after its own at most: the coach is free from day 60, a
// Friday, and the next visit may begin so many days after day 59.
func TestCloseVisitsAreAFortnightApart(t *testing.T) {
	for _, c := range []struct{ apart, visits int }{{13, 1}, {14, 1}, {17, 2}, {18, 2}} {
		m := member("c", coach.Track, task(coach.Inspect, "", -90, -60, -20), task(coach.WaterTest, "", 59+c.apart, 80, 110))
		m.Tasks[0].Every = 100
		m.Coach.Bookings = []coach.Booking{{From: on, Until: on.Add(58)}}
		p := planFor(t, coach.Workshop{}, m)
		if len(p.Visits) != c.visits {
			t.Errorf("%d days apart: %d visits, want %d: %v", c.apart, len(p.Visits), c.visits, func() (days []civil.Date) {
				for _, v := range p.Visits {
					days = append(days, v.First)
				}
				return days
			}())
		}
	}
}

// What makes no sense after its day is given up, not done late; a whole seal takes
// bulb and adhesive with it; a sold coach is nobody's work.
func TestNeedlessWork(t *testing.T) {
	gone := task(coach.Inspect, "", -20, -2, 3)
	gone.Ends = true
	m := member("n", coach.PeelStick, gone, task(coach.ReplaceSeal, coach.Top, 0, 30, 60),
		task(coach.Rebond, coach.Top, 0, 100, 130))
	sold := member("s", coach.Track, task(coach.ReplaceBulb, coach.Top, 0, 30, 60), task(coach.SafetyStop, "", 0, 0, 0))
	sold.Coach.Sold = on - 1
	p := planFor(t, coach.Workshop{Heated: true}, m, sold)
	if len(p.Visits) != 1 || len(p.Visits[0].Tasks) != 1 || len(p.Holds) != 0 || len(p.Late) != 1 ||
		!strings.Contains(p.Late[0].Why, "no time left") {
		t.Errorf("%+v", p)
	}
	for _, n := range p.Parts {
		if n.Pieces > 1.01 {
			t.Errorf("%+v", n)
		}
	}
}

// BenchmarkMake plans 104 weeks for coaches with six tasks each. Budget: 2 s for
// 10,000 coaches on one core, close to linear.
func BenchmarkMake(b *testing.B) {
	r := rules(b)
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			ms := make([]Member, n)
			for i := range ms {
				d := (i * 37) % 640
				var ts []plan.Task
				for k, side := range coach.Sides {
					ts = append(ts, task(coach.ReplaceBulb, side, d-40, d+30+k, d+60+k))
				}
				ts = append(ts, task(coach.Inspect, "", d-20, d+10, d+55), task(coach.WaterTest, "", d, d+30, d+90))
				ms[i] = member(fmt.Sprint("c", i), coach.Track, ts...)
				for _, t := range ts[:4] {
					ms[i].Forecasts = append(ms[i].Forecasts, projection.Forecast{Slide: "s", Run: t.Run, Part: coach.Bulb,
						Governing: coach.Weathering, Early: t.Target - 200, Likely: t.Target + 30, Late: t.Target + 900})
				}
			}
			shop := coach.Workshop{Travel: -1, Hours: map[coach.Skill]float64{coach.Inspection: float64(n) * .013,
				coach.PushOnWork: float64(n) * .03}}
			in := Input{Rules: r, Shop: &shop, Members: ms, On: on, Weeks: 104}
			for b.Loop() {
				p := Make(in)
				b.ReportMetric(float64(len(p.Visits)), "visits")
			}
		})
	}
}
