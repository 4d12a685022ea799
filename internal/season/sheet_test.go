package season

import (
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
)

func sheetOf(t *testing.T) (Sheet, Member) {
	t.Helper()
	m := member("larch-1", coach.PeelStick, task(coach.Rebond, coach.Top, 0, 30, 60),
		task(coach.ReplaceSeal, coach.Aft, 0, 30, 60), task(coach.WaterTest, "", 0, 30, 60))
	m.Coach.Label, m.Coach.Slides[0].Label, m.Coach.Slides[0].Topper = "Larch trailer", "kitchen slide", true
	m.Coach.People = []coach.Person{{Name: "Ines", Phone: "555-0104", Email: "ines@example.org"}}
	r := &m.Coach.Slides[0].Runs[3]
	r.FreeHeight, r.Gaps = 20, []unit.Length{12, 14}
	m.Coach.Services = []coach.Service{{Day: on - 400, Kind: coach.ReplaceSeal, By: "shop",
		Removed: []string{"awning arm", "drip rail", "corner caps"}}}
	p := planFor(t, coach.Workshop{Heated: true}, m)
	if len(p.Visits) != 1 {
		t.Fatalf("%+v", p)
	}
	return SheetOf(rules(t), m.Coach, p.Visits[0], unit.Metric), m
}

func TestSheet(t *testing.T) {
	s, _ := sheetOf(t)
	testkit.Golden(t, "season/sheet.txt", s.Text())
	testkit.Golden(t, "season/sheet.html", s.HTML())
	back := slices.Clone(s.Off)
	slices.Reverse(back)
	if !slices.Equal(back, s.Back) || s.Off[0] != "awning arm" {
		t.Errorf("off %v, back %v", s.Off, s.Back)
	}
	if s.Cure == "" || !strings.Contains(strings.Join(s.Notes, " "), "topper of the kitchen slide") || s.Never == "" {
		t.Errorf("%+v", s)
	}
	if lines := strings.Split(s.Text(), "\n"); len(lines) > 90 {
		t.Errorf("%d lines", len(lines))
	}
}

func TestPartsOf(t *testing.T) {
	_, m := sheetOf(t)
	m.Coach.Slides[0].Runs[0].Parts[0].Lot = "L1"
	for _, c := range []struct {
		lot         string
		from, until int
		want        int
	}{{"L1", 0, 0, 1}, {"unknown", 0, 0, 7}, {"L2", 0, 0, 0}, {"L2", -950, -850, 7}, {"L1", -950, -850, 8},
		{"", -950, -850, 8}, {"", -800, 0, 0}} {
		from, until := on.Add(c.from), on.Add(c.until)
		if c.from == 0 {
			from, until = 0, 0
		}
		if got := PartsOf(m.Coach, c.lot, from, until); len(got) != c.want {
			t.Errorf("%+v: %d parts", c, len(got))
		}
	}
}

func TestPicture(t *testing.T) {
	var ms []Member
	for _, id := range []string{"a", "b", "c", "d"} {
		ms = append(ms, member(id, coach.PushOn, task(coach.ReplaceSeal, coach.Top, 0, 56, 63)))
	}
	p := planFor(t, coach.Workshop{Hours: map[coach.Skill]float64{coach.Inspection: 0, coach.PushOnWork: 2,
		coach.AdhesiveWork: 0, coach.RoomOut: 0}}, ms...)
	svg := Picture(p)
	testkit.Golden(t, "season/weeks.svg", svg)
	for _, want := range []string{"role=\"img\"",
		"20 weeks. Before levelling the fullest week is at 180 % and 1 weeks are over 100 %; after it the fullest is at 90 " +
			"% and 0 are over.", "class=\"over\""} {
		if !strings.Contains(svg, want) {
			t.Errorf("lacks %q", want)
		}
	}
}
