package desk_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
	"sealmanac/internal/unit"
)

// The list of parts goes out and comes back and changes nothing of what it cannot hold; a
// list with a few columns changes these only.
func TestListsUponTheRecord(t *testing.T) {
	day := civil.Of(2026, 2, 10)
	d := &desk.Desk{DB: storetest.Fresh(t, "sqlite"), Now: day.Time, Places: testkit.Tables(t)}
	read := func(name, text string) intake.Content {
		t.Helper()
		c := intake.Read(intake.Options{Today: day, Places: d.Places}, nil, intake.File{Name: name, Data: []byte(text)})
		if err := c.Problems.Err(); err != nil {
			t.Fatal(err)
		}
		return c
	}
	put := func(c intake.Content) {
		t.Helper()
		if _, err := d.Import(t.Context(), "main", c); err != nil {
			t.Fatal(err)
		}
	}
	all := func() (cs []coach.Coach) {
		t.Helper()
		if err := d.DB.View(t.Context(), func(tx *store.Tx) (err error) {
			cs, err = tx.Coaches(t.Context(), "main")
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return cs
	}
	put(read("demo.yaml", string(config.Demo)))
	was := all()
	rows, err := d.Export(t.Context(), "main", "parts")
	if err != nil {
		t.Fatal(err)
	}
	list, err := desk.CSV(rows)
	if err != nil {
		t.Fatal(err)
	}
	put(read("parts.csv", string(list)))
	if diff := cmp.Diff(was, all()); diff != "" {
		t.Errorf("the list of parts changed what it came from:\n%s", diff)
	}
	// (It is still the day before where the shop is.) What is blank or named by no row stays, one-piece seals stay of
	// one age, a move ends the
	// stay before it, and a person is found by name.
	put(read("a.yaml", `
coaches:
  - coach: a1
    people: [{name: Ann, email: ann@example.org, phone: "+1 970 555 0100", consents: [{channel: email, date: 2025-01-01}]}, {name: Bo, email: bo@example.org, role: second_owner}]
    stays: [{place: "Yuma, AZ", from: 2020-03-01, cycles: 20/year}]
    slides:
      - {slide: galley, label: Galley, width: 12 ft, height: 76 in, edges: [{edge: outer/top, construction: push_on, carrier: steel, fitted: 2020-03-01, parts: [{part: bulb, material: epdm_sponge, lot: L1}, {part: wiper, material: epdm_dense, lot: L2}]}]}
      - {slide: bed, label: Bedroom, width: 8 ft, height: 76 in, edges: [{edge: outer/top, construction: track, fitted: 2020-03-01, parts: [{part: bulb, material: epdm_sponge, lot: L5}]}]}
`))
	rows, err = d.Export(t.Context(), "main", "parts")
	if err != nil {
		t.Fatal(err)
	}
	if list, err = desk.CSV(rows); err != nil {
		t.Fatal(err)
	}
	before := all()
	put(read("parts.csv", string(list)))
	if diff := cmp.Diff(before, all()); diff != "" {
		t.Errorf("a telephone number with its +: %s", diff)
	}
	put(read("a.csv", `coach,slide,run,construction,part,material,fitted,lot,width,owner,email,place
a1,galley,outer/top,push_on,bulb,epdm_sponge,2026-01-05,NEW,10 ft,Ann,ann.new@example.org,"Tucson, AZ"
a1,bed,outer/top,track,wiper,epdm_dense,2026-01-05,,,Ann,ann.new@example.org,"Tucson, AZ"
`))
	var c coach.Coach
	for _, x := range all() {
		if x.ID == "a1" {
			c = x
		}
	}
	galley, bed := c.Slides[0], c.Slides[1]
	got := fmt.Sprint(galley.Width, galley.Label, galley.Runs[0].Fitted, galley.Runs[0].Parts[0].Lot,
		galley.Runs[0].Parts[1].Lot, galley.Runs[0].Parts[1].Fitted, " ", bed.Label, bed.Width, bed.Runs[0].Fitted,
		bed.Runs[0].Parts[0].Lot, len(bed.Runs[0].Parts))
	if want := fmt.Sprint(10*unit.Foot, "Galley", civil.Of(2026, 1, 5), "NEW", "L2", civil.Of(2026, 1, 5), " ", "Bedroom",
		8*unit.Foot, civil.Of(2020, 3, 1), "L5", 2); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if p := c.People[0]; len(c.People) != 2 || p.Email != "ann.new@example.org" || p.Phone == "" || len(p.Consents) != 1 {
		t.Errorf("%+v", c.People)
	}
	if len(c.Stays) != 2 || c.Stays[0].Until != day-2 || c.Stays[1].From != day-1 ||
		c.Stays[1].Cycles != c.Stays[0].Cycles || c.Stays[1].Site.Name != "Tucson, AZ" {
		t.Errorf("%+v", c.Stays)
	}
	// Another first owner takes the place of the first, not of the second.
	put(read("b.csv", "coach,slide,run,construction,part,material,fitted,owner,email\n"+
		"a1,galley,outer/top,push_on,bulb,epdm_sponge,2026-01-05,Cy,cy@example.org\n"))
	for _, x := range all() {
		if x.ID == "a1" && (len(x.People) != 2 || x.People[0].Name != "Cy" || len(x.People[0].Consents) != 0 ||
			x.People[1].Name != "Bo") {
			t.Errorf("%+v", x.People)
		}
	}
}
