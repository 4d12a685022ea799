package desk_test

import (
	"strings"
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
		if err := d.Import(t.Context(), "main", c); err != nil {
			t.Fatal(err)
		}
	}
	all := func() (cs []coach.Coach) {
		t.Helper()
		if err := d.DB.View(t.Context(), func(tx *store.Tx) (err error) { cs, err = tx.Coaches(t.Context(), "main"); return err }); err != nil {
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
	one := was[2] // any with an owner
	run := one.Slides[0].Runs[0]
	put(read("lots.csv", strings.Join([]string{"coach,slide,run,construction,part,material,fitted,lot,email,owner",
		strings.Join([]string{string(one.ID), string(one.Slides[0].ID), run.Key(), string(run.Construction), string(run.Parts[0].Kind), string(run.Parts[0].Material), run.Parts[0].Fitted.String(), "NEW-7", one.People[0].Email, "Another Name"}, ",")}, "\n")+"\n"))
	one.Slides[0].Runs[0].Parts[0].Lot, one.People[0].Name = "NEW-7", "Another Name"
	if diff := cmp.Diff(was, all()); diff != "" { // was shares the lists of one
		t.Errorf("a list of lots: %s", diff)
	}
}
