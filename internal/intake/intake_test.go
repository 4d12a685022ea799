package intake

import (
	"bytes"
	"strings"
	"sync"
	"testing"

	"github.com/xuri/excelize/v2"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
)

var loadTables = sync.OnceValues(func() (*climate.Tables, error) {
	return climate.Load(climate.Source{Normals: config.Normals, Typical: config.Typical, Places: config.Places,
		Zips: config.Zips})
})

func opt(t testing.TB) Options {
	t.Helper()
	tab, err := loadTables()
	if err != nil {
		t.Fatal(err)
	}
	return Options{Today: civil.Of(2026, 2, 10), Places: tab}
}

func TestDemoFile(t *testing.T) {
	c := Read(opt(t), nil, File{"demo.yaml", config.Demo})
	if err := c.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	if len(c.Coaches) < 12 || c.Shop == nil || c.Shop.Zone != "America/Denver" {
		t.Errorf("%d coaches, shop %+v", len(c.Coaches), c.Shop)
	}
	h := c.Coaches[0]
	if h.ID != "heron-01" || len(h.Stays) != 6 || len(h.Slides) != 2 || h.Slides[0].Runs[0].FreeHeight != 20 ||
		len(h.Slides[0].Runs[0].Gaps) != 3 {
		t.Errorf("heron-01 read as %+v", h)
	}
	if p := c.Coaches[4].Slides[0].Runs[0].Parts; p[0].Fitted != civil.Of(2024, 5, 11) || p[1].Fitted != civil.Of(2019, 5,
		2) {
		t.Errorf("a bulb keeps its own clock: %+v", p)
	}
	if s := c.Coaches[9].Stays[0].Site; len(s.Tmax) != 12 || s.Zone != "America/Tijuana" {
		t.Errorf("a place of the shop's own: %+v", s)
	}
}

// One file with every mistake the format knows gives one report with all of them.
const mistakes = `
shop: {name: A Shop, postal: 1 Road, zone: Mars/North}
coaches:
  - coach: a-1
    colour: red
    class: spaceship
    vin: 1M8GDM9A0KP042788
    people:
      - {name: Ann, email: ann at example}
      - {}
      - {role: owner}
    stays:
      - {place: Springfield, from: 2020-01-01, until: 2020-12-31, slides: out}
      - {place: "Yuma, AZ", from: 2020-06-01, shelter: tent, cycles: 2/fortnight}
      - {place: Nowheresville, from: 2021-13-40}
      - {place: "Yuma, AZ", from: 2025-01-01, until: 2024-01-01}
    slides:
      - slide: galley
        width: 12
        height: 78 furlongs
        edges:
          - edge: outer/left
            construction: glue
            fitted: 2031-01-01
            gaps: [12, 3/4 in]
            parts:
              - {part: bulb, material: cheese, fitted: 1999-01-01}
              - {part: bulb, material: epdm_dense}
          - edge: outer/top
            construction: push_on
            fitted: 2020-01-01
            parts:
              - {part: bulb, material: epdm_dense, fitted: 2021-01-01, hot_set: {set: 20 %, hours: 22, temp: 23 C}}
              - {part: wiper, material: epdm_dense, fitted: 2019-01-01}
    services:
      - {kind: polish, date: 2024-01-01}
      - {kind: clean_and_condition, date: 2024-01-01, slide: bed, edge: outer/top}
  - coach: a-1
  - label: nameless
`

func TestEveryMistakeIsReportedAtOnce(t *testing.T) {
	c := Read(opt(t), nil, File{"bad.yaml", []byte(mistakes)})
	err := c.Problems.Err()
	if err == nil {
		t.Fatal("nothing was reported")
	}
	for _, want := range []string{
		`bad.yaml:2: shop.zone: "Mars/North" is not a time zone; allowed: an IANA name`,
		`bad.yaml:5: coach a-1.colour: is not a field here; allowed: class, coach`,
		`bad.yaml:6: coach a-1.class: "spaceship" is not known here; allowed: class_a`,
		`bad.yaml:9: coach a-1.people[0].email: "ann at example" is not an e-mail address`,
		`coach a-1.people[2]: names nobody`,
		`bad.yaml:13: coach a-1.stays[0].place: "Springfield" is the name of several places; allowed: one of: Springfield, MO`,
		`coach a-1.stays[1].shelter: "tent" is not known here; allowed: open, carport, indoor`,
		`coach a-1.stays[1].cycles: "2/fortnight" is not a rate; allowed: a number per day`,
		`coach a-1.stays[2].place: "Nowheresville" is not a place we know`,
		`coach a-1.stays[2].from: "2021-13-40" is not a date; allowed: YYYY-MM-DD`,
		`coach a-1.stays[3].until: "2024-01-01" is before from`,
		`coach a-1.stays: "2020-06-01" overlaps the stay from`,
		`coach a-1.galley.width: "12" is not a length; allowed: a number with mm`,
		`coach a-1.galley.height: "78 furlongs" is not a length`,
		`coach a-1.galley.edges[0].edge: "outer/left" is not an edge`,
		`coach a-1.galley.edges[0].construction: "glue" is not known here`,
		`coach a-1.galley.edges[0].fitted: "2031-01-01" lies in the future; allowed: a day up to 2026-02-10`,
		`coach a-1.galley.edges[0].gaps[0]: "12" is not a closed gap`,
		`coach a-1.galley.edges[0].parts[0].material: "cheese" is not known here`,
		`coach a-1.galley.edges[0].parts[0].fitted: "1999-01-01" is more than 25 years ago; allowed: a day from 2001-02-10, or confirm`,
		`coach a-1.galley.edges[0].parts[1].part: "bulb" is given twice for this edge`,
		`coach a-1.galley.edges[1].parts[0].fitted: "2021-01-01" differs from its edge`,
		`coach a-1.galley.edges[1].parts[0].hot_set.temp: "23 C" is not a hot test`,
		`coach a-1.galley.edges[1].parts[1].fitted: "2019-01-01" is before its edge was fitted`,
		`coach a-1.services[0].kind: "polish" is not known here`,
		`coach a-1.services[1].slide: "bed" is not a slide of this coach; allowed: galley`,
		`coach: "a-1" is given twice; first at bad.yaml:4`,
		`bad.yaml:39: coaches[2].coach: is missing`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the report lacks %s", want)
		}
	}
	if w := c.Problems.Warnings(); len(w) == 0 || !strings.Contains(strings.Join(w, "\n"), "check digit") {
		t.Errorf("the VIN's check digit is a warning: %v", w)
	}
	if t.Failed() {
		t.Log(err)
	}
}

func TestYAMLTraps(t *testing.T) {
	for name, text := range map[string]string{
		"anchor":        "coaches: [{coach: &x a, label: *x, slides: []}]",
		"tag":           "coaches: [{coach: !!str a}]",
		"broken":        "coaches: [\n",
		"scalar":        "hello",
		"empty":         "",
		"no coach":      "coaches: []",
		"duplicate key": "coaches: []\ncoaches: []\n",
	} {
		if err := Read(opt(t), nil, File{name + ".yaml", []byte(text)}).Problems.Err(); err == nil {
			t.Errorf("%s passed", name)
		}
	}
}

const partList = `Unit,Who,Mail,Yard,Room,Edge,Item,Stuff,Made how,Put on,Batch,Notes
k-1,Ann,ann@example.org,"Yuma, AZ",galley,outer/top,bulb,epdm_sponge,track,2023-04-01,L7,x
k-1,Ann,ann@example.org,"Yuma, AZ",galley,outer/top,wiper,epdm_dense,track,2022-04-01,L7,
k-2,Bob,bob@example.org,85364,bed,outer/rear,bulb,silicone,track,2024-04-01,,
`

const mapping = `
columns: {coach: Unit, owner: Who, email: Mail, place: Yard, slide: Room, edge: Edge, part: Item, material: Stuff, construction: Made how, fitted: Put on, lot: Batch}
defaults: {shelter: open, slides: in, cycles: 20/year}
`

func TestList(t *testing.T) {
	m, bad := ParseMapping(File{"map.yaml", []byte(mapping)})
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	check := func(name string, f File) {
		c := Read(opt(t), m, f)
		if err := c.Problems.Err(); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if len(c.Coaches) != 2 {
			t.Fatalf("%s: %d coaches", name, len(c.Coaches))
		}
		k := c.Coaches[0]
		if len(k.Slides) != 1 || len(k.Slides[0].Runs) != 1 || len(k.Slides[0].Runs[0].Parts) != 2 ||
			k.People[0].Email != "ann@example.org" {
			t.Errorf("%s: %+v", name, k)
		}
		if k.Stays[0].From != civil.Of(2022, 4, 1) || k.Stays[0].Cycles == 0 ||
			k.Slides[0].Runs[0].Parts[0].Fitted != civil.Of(2023, 4, 1) {
			t.Errorf("%s: stay %v, bulb %v", name, k.Stays[0].From, k.Slides[0].Runs[0].Parts[0].Fitted)
		}
		if k.Slides[0].Runs[0].Parts[0].Lot != "L7" || c.Coaches[1].Slides[0].Runs[0].Parts[0].Lot != "unknown" {
			t.Errorf("%s: lots", name)
		}
	}
	check("csv", File{"list.csv", []byte(partList)})
	check("semicolons", File{"list.csv",
		[]byte(strings.ReplaceAll(strings.ReplaceAll(partList, ",", ";"), `"Yuma; AZ"`, `"Yuma, AZ"`))})

	check("tabs", File{"list.csv",
		[]byte(strings.ReplaceAll(strings.ReplaceAll(partList, ",", "\t"), "\"Yuma\t AZ\"", "Yuma, AZ"))})
	check("windows-1252", File{"list.csv", []byte(strings.Replace(partList, "Bob", "Jos\xe9", 1))})

	x := excelize.NewFile()
	for i, line := range strings.Split(strings.TrimSpace(strings.ReplaceAll(partList, `"Yuma, AZ"`, "Yuma| AZ")), "\n") {
		for j, cell := range strings.Split(line, ",") {
			at, _ := excelize.CoordinatesToCellName(j+1, i+1)
			if d, err := civil.Parse(cell); err == nil { // a day, as spreadsheets keep it
				_ = x.SetCellValue("Sheet1", at, d.Time())
				continue
			}
			_ = x.SetCellValue("Sheet1", at, strings.ReplaceAll(cell, "|", ","))
		}
	}
	var b bytes.Buffer
	if err := x.Write(&b); err != nil {
		t.Fatal(err)
	}
	check("xlsx", File{"list.xlsx", b.Bytes()})
}

func TestListMistakes(t *testing.T) {
	m, _ := ParseMapping(File{"map.yaml", []byte(mapping)})
	broken := strings.NewReplacer("epdm_dense", "cheese", "bob@example.org", "bob",
		"k-1,Ann,ann@example.org,\"Yuma, AZ\",galley,outer/top,wiper",
		"k-1,Eve,ann@example.org,\"Yuma, AZ\",galley,outer/top,wiper", "2024-04-01", "2044-04-01").Replace(partList)
	err := Read(opt(t), m, File{"list.csv", []byte(broken)}).Problems.Err()
	if err == nil {
		t.Fatal("passed")
	}
	for _, want := range []string{
		`list.csv:3: column Stuff: "cheese" is not known here; allowed: epdm_sponge`,
		`list.csv:3: column Who: "Eve" differs from row 2; allowed: Ann`,
		`list.csv:4: column Mail: "bob" is not an e-mail address`,
		`list.csv:4: column Put on: "2044-04-01" lies in the future`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the report lacks %s\n%v", want, err)
		}
	}
	if err := Read(opt(t), nil, File{"list.csv", []byte(partList)}).Problems.Err(); err == nil ||
		!strings.Contains(err.Error(), "map them with --mapping") || strings.Count(err.Error(), "\n") > 2 {
		t.Errorf("without a mapping: %v", err)
	}
	for name, text := range map[string]string{
		"surplus cells": strings.Replace(partList, `85364,bed`, `Ajo, AZ,bed`, 1),
		"one more cell": strings.Replace(partList, "2024-04-01,,", "2024-04-01,,,extra", 1),
	} {
		if Read(opt(t), m, File{"list.csv", []byte(text)}).Problems.Err() == nil {
			t.Errorf("%s passed", name)
		}
	}
	if _, bad := ParseMapping(File{"m.yaml", []byte("columns: {coche: Unit}")}); len(bad) == 0 {
		t.Error("a wrong mapping passed")
	}
}

// A stay begins with the coach's earliest fitting unless a row says since when;
// problems name the line of the file, blank lines counted.
func TestListDates(t *testing.T) {
	head := "coach,place,since,slide,edge,part,material,construction,fitted\n"
	row := func(since, run, fitted string) string {
		return "k,\"Yuma, AZ\"," + since + ",s," + run + ",bulb,tpv,track," + fitted + "\n"
	}
	for name, c := range map[string]struct{ text, from string }{
		"earliest": {head + row("", "outer/top", "2023-04-01") + row("", "outer/rear", "2021-05-01"), "2021-05-01"},
		"given later": {head + row("", "outer/top", "2021-05-01") + row("2023-04-01", "outer/rear", "2024-05-01"),
			"2023-04-01"},
		"given, then blank": {head + row("2023-04-01", "outer/top", "2024-05-01") + row("", "outer/rear", "2020-05-01"),
			"2023-04-01"},
	} {
		r := Read(opt(t), nil, File{"l.csv", []byte(c.text)})
		if err := r.Problems.Err(); err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got := r.Coaches[0].Stays[0].From.String(); got != c.from {
			t.Errorf("%s: from %s, want %s", name, got, c.from)
		}
	}
	err := Read(opt(t), nil, File{"l.csv", []byte(head + "\n\n" + row("", "outer/top", "soon"))}).Problems.Err()
	if err == nil || !strings.Contains(err.Error(), "l.csv:4: column fitted") {
		t.Errorf("the line is wrong: %v", err)
	}
}

func TestDoubtsAreNotes(t *testing.T) {
	c := Read(opt(t), nil, File{"a.yaml", []byte(`
places: [{place: yard, lat: 39.74, lon: -104.99, zone: America/Denver}]
coaches:
  - coach: a
    stays: [{place: yard, from: 2022-01-01, until: 2022-06-01}, {place: yard, from: 2023-01-01}]
    slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2020-01-01, parts: [{part: bulb, material: tpv}]}]}]
  - coach: b
`)})
	if err := c.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(c.Problems.Warnings(), "\n")
	for _, want := range []string{"has no elevation_m: we use 16", "has no entry for 2020-01-01 to 2021-12-31",
		"has no entry for 2022-06-02 to 2022-12-31", "coach a.people: is empty", "coach b.slides: is empty"} {
		if !strings.Contains(notes, want) {
			t.Errorf("the notes lack %q:\n%s", want, notes)
		}
	}
	bad := []byte(`coaches: [{coach: a, slides: [{slide: s, edges: [{edge: outer/top, construction: track, fitted: 2020-01-01, parts: [{part: bulb, material: steel}, {part: wiper, material: acrylic_tape}]}]}]}]`)
	if err := Read(opt(t), nil, File{"b.yaml", bad}).Problems.Err(); err == nil || strings.Count(err.Error(),
		"is not what a") != 2 {
		t.Errorf("impossible materials: %v", err)
	}
}

func TestConfirmOld(t *testing.T) {
	o := opt(t)
	text := []byte("coaches: [{coach: a, stays: [{place: \"Yuma, AZ\", from: 1999-01-01}], slides: [{slide: s, edges: " +
		"[{edge: outer/top, construction: track, fitted: 1999-01-01, parts: [{part: bulb, material: unknown}]}]}]}]")
	if Read(o, nil, File{"a.yaml", text}).Problems.Err() == nil {
		t.Error("27 years passed without asking")
	}
	o.ConfirmOld = true
	if err := Read(o, nil, File{"a.yaml", text}).Problems.Err(); err != nil {
		t.Error(err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(mistakes), true)
	f.Add([]byte(partList), false)
	f.Add([]byte("coaches: [{coach: a, slides: [{edges: [{parts: [{}]}]}]}]"), true)
	o := opt(f)
	f.Fuzz(func(t *testing.T, b []byte, yaml bool) {
		name := "x.csv"
		if yaml {
			name = "x.yaml"
		}
		c := Read(o, nil, File{name, b})
		if c.Problems.Err() == nil && len(c.Coaches) == 0 && c.Shop == nil {
			t.Error("nothing was read and nothing was said")
		}
		for _, k := range c.Coaches {
			for _, s := range k.Slides {
				for _, r := range s.Runs {
					for _, p := range r.Parts {
						if c.Problems.Err() == nil && (p.Fitted == 0 || p.Fitted > o.Today || p.Material == "" ||
							p.Kind == coach.PartKind("")) {
							t.Errorf("stored an impossible part %+v", p)
						}
					}
				}
			}
		}
	})
}
