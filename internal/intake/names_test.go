package intake

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/coach"
)

// renames are the names that files had before, by those that they have now, as they stand
// in newNames and newList.
var renames = [][2]string{
	{"edges:", "runs:"}, {"edge:", "run:"}, {"slides: out", "rooms: out"}, {"rentals:", "bookings:"},
	{"appointments:", "pins:"}, {"hours: {slide_removal", "hours: {room_out"}, {"work: {slide_removal", "work: {room_out"},
	{"outer/front", "outer/fore"}, {"inner/rear", "inner/aft"}, {"clean_and_condition", "lubricate"},
	{"kind: hose_test, by: shop", "kind: water_test, by: shop"}, {"aluminum", "aluminium"},
	{"task: hose_test", "task: water_test"},
}

const newNames = `
workshop:
  hours: {slide_removal: 16}
  work: {slide_removal: 16 to 32}
  appointments: [{coach: a, date: 2026-03-10, task: hose_test}]
coaches:
  - coach: a
    people: [{name: Ann}]
    stays: [{place: "Yuma, AZ", from: 2020-01-01, slides: out, cycles: 2/month}]
    slides:
      - slide: s
        edges:
          - {edge: outer/front, construction: push_on, carrier: aluminum, fitted: 2020-01-01, parts: [{part: bulb, material: tpv}]}
          - {edge: inner/rear, construction: track, fitted: 2020-01-01, parts: [{part: wiper, material: tpv}]}
    services:
      - {date: 2024-01-01, kind: clean_and_condition, slide: s, edge: outer/front, by: shop}
      - {date: 2024-01-02, kind: hose_test, by: shop}
    readings: [{date: 2024-01-02, kind: hose_test, slide: s, edge: inner/rear, value: run}]
    rentals: [{from: 2026-07-01, until: 2026-07-08}]
`

// A file in which everything has its older name says the same.
func TestOldNamesOfFiles(t *testing.T) {
	old := newNames
	for _, r := range renames {
		if !strings.Contains(old, r[0]) {
			t.Errorf("the file has no %q", r[0])
		}
		old = strings.ReplaceAll(old, r[0], r[1])
	}
	now, was := Read(opt(t), nil, File{"a.yaml", []byte(newNames)}), Read(opt(t), nil, File{"a.yaml", []byte(old)})
	if err := now.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(now, was); diff != "" {
		t.Errorf("the older names say something else:\n%s", diff)
	}
	c := now.Coaches[0]
	if c.Slides[0].Runs[0].Key() != "outer/fore" || c.Services[0].Kind != coach.Lubricate ||
		c.Readings[0].Run != "inner/aft" {
		t.Errorf("what is stored has changed: %+v", c)
	}
	text, err := Write(opt(t).Places, was.Coaches...)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range renames {
		if strings.Contains(string(text), r[1]) {
			t.Errorf("%q is written:\n%s", r[1], text)
		}
	}
	if diff := cmp.Diff(c, Read(opt(t), nil, File{"b.yaml", text}).Coaches[0]); diff != "" {
		t.Errorf("it came back as something else:\n%s", diff)
	}
}

// Every older name that is read is told by the shape of a record, but those of lists of
// what a shop can do, which are no part of it.
func TestShapeTellsOldNames(t *testing.T) {
	told := map[string]string{}
	var look func(fs []*Field)
	look = func(fs []*Field) {
		for _, f := range fs {
			for _, old := range f.Aliases {
				told[f.Name] = old
			}
			look(f.Fields)
		}
	}
	look(Shape())
	for name, old := range oldFields {
		if workshop := name == "appointments" || name == "slide_removal"; !workshop && told[name] != old {
			t.Errorf("%s, once %s: the shape says %q", name, old, told[name])
		}
	}
}

// A list with older headings, or an older mapping, says the same.
func TestOldNamesOfLists(t *testing.T) {
	const list = "coach,place,since,slides,slide,edge,construction,carrier,part,material,fitted\n" +
		"a,\"Yuma, AZ\",2020-01-01,out,s,outer/front,push_on,aluminum,bulb,tpv,2020-01-01\n" +
		"a,\"Yuma, AZ\",2020-01-01,out,s,inner/rear,push_on,aluminum,bulb,tpv,2020-01-01\n"
	old := strings.NewReplacer(",slides,slide,edge,", ",rooms,slide,run,", "outer/front", "outer/fore", "inner/rear",
		"inner/aft", "aluminum", "aluminium").Replace(list)
	now, was := Read(opt(t), nil, File{"l.csv", []byte(list)}), Read(opt(t), nil, File{"l.csv", []byte(old)})
	if err := now.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(now, was); diff != "" {
		t.Errorf("the older headings say something else:\n%s", diff)
	}
	ours := strings.Replace(list, ",slides,slide,edge,", ",Out,slide,Seal,", 1)
	for _, text := range []string{"columns: {edge: Seal, slides: Out}", "columns: {run: Seal, rooms: Out}"} {
		m, bad := ParseMapping(File{"m.yaml", []byte(text)})
		if err := bad.Err(); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(now, Read(opt(t), m, File{"l.csv", []byte(ours)})); diff != "" {
			t.Errorf("%s: it says something else:\n%s", text, diff)
		}
	}
}

// Problems name a field as it was written; both names at once contradict each other.
func TestProblemsNameWhatWasWritten(t *testing.T) {
	const head = "coaches: [{coach: a, slides: [{slide: s, "
	const parts = "construction: track, fitted: 2020-01-01, parts: [{part: bulb, material: tpv}]}]}]}]"
	for text, want := range map[string]string{
		head + "runs: [{run: outer/left, " + parts: `s.runs[0].run: "outer/left" is not an edge; allowed: outer or inner`,
		head + "edges: [{edge: x, " + parts:        `s.edges[0].edge: "x" is not an edge; allowed: outer or inner`,
		head + "edges: [{edge: outer/top, run: outer/top, " + parts: `s.edges[0].run: "outer/top" is the older name of edge, ` +
			`and both are given; allowed: one of them: edge`,
		"coaches: [{coach: a, slides: [{slide: s, runs: [], edges: []}]}]": "slides[0].runs: is the older name of edges",
		"coaches: [{coach: a, stays: [{place: \"Yuma, AZ\", from: 2020-01-01, rooms: up}]}]": `stays[0].rooms: "up" is not ` +
			"known here; allowed: out, in",
	} {
		err := Read(opt(t), nil, File{"a.yaml", []byte(text)}).Problems.Err()
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\nwant %s\ngot %v", text, want, err)
		}
	}
	for list, want := range map[string]string{
		"coach,slide,edge,run\na,s,outer/top,outer/top\n": "heading run: is the older name of edge, and both are given",
		"coach,slide,run\na,s,outer/left\n":               `column run: "outer/left" is not an edge`,
	} {
		if err := Read(opt(t), nil, File{"l.csv", []byte(list)}).Problems.Err(); err == nil ||
			!strings.Contains(err.Error(), want) {
			t.Errorf("%s\nwant %s\ngot %v", list, want, err)
		}
	}
	m, _ := ParseMapping(File{"m.yaml", []byte("columns: {run: Seal}")})
	err := Read(opt(t), m, File{"l.csv", []byte("coach\na\n")}).Problems.Err()
	if err == nil || !strings.Contains(err.Error(), `columns.run: "Seal" is not a heading`) {
		t.Errorf("got %v", err)
	}
	_, bad := ParseMapping(File{"m.yaml", []byte("columns: {run: Seal, edge: Seal}")})
	if err := bad.Err(); err == nil || !strings.Contains(err.Error(), "columns.run: \"Seal\" is the older name of edge") {
		t.Errorf("got %v", err)
	}
}
