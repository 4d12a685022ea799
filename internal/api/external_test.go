package api_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// A customer system finds one coach by its own key: a second coach with the same one is
// refused wherever it comes from, and the first is named. Pairs on record stay as they are.
func TestOneCoachAnExternalID(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newRig(t, db)
		key := x.keys["one"]
		put := func(name, external string, code int, says ...string) {
			t.Helper()
			got, _, said := x.do(key, "PUT", "/coaches/"+name, `{"external_id":"`+external+`","slides":[]}`)
			if got != code {
				t.Errorf("%s with %s: %d %s", name, external, got, said)
			}
			for _, s := range says {
				if !strings.Contains(said, s) {
					t.Errorf("%s with %s: %s lacks %s", name, external, said, s)
				}
			}
		}
		put("q-1", "cust-5", 200)
		put("q-1", "cust-5", 200)
		put("q-2", "cust-5", 409, `"code":"external_id_taken"`, `coach q-1 has it`, `"pointer":"#/external_id"`)
		put("q-2", "cust-6", 200)
		put("q-2", "cust-5", 409, "q-1")
		put("q-1", "cust-7", 200)
		put("q-2", "cust-5", 200) // it is free now
		put("q-2", "", 200)
		put("q-3", "", 200) // none is no key
		if code, _, said := x.do(x.keys["two"], "PUT", "/coaches/q-9", `{"external_id":"cust-7","slides":[]}`); code != 200 {
			t.Errorf("another account: %d %s", code, said)
		}
		// A bulk: each for itself. Two may change places, and who is refused gives up nothing.
		bulk := func(pairs ...string) (out []string) {
			t.Helper()
			var items []string
			for i := 0; i < len(pairs); i += 2 {
				items = append(items, `{"coach":"`+pairs[i]+`","external_id":"`+pairs[i+1]+`","slides":[]}`)
			}
			_, _, said := x.do(key, "POST", "/coaches/bulk", `{"coaches":[`+strings.Join(items, ",")+`]}`)
			rs, _ := field(t, said, "items").([]any)
			for _, r := range rs {
				m, _ := r.(map[string]any)
				why := "saved"
				if m["saved"] != true {
					why = text(t, m["problems"])
				}
				out = append(out, why)
			}
			return out
		}
		expect := func(got []string, want ...string) {
			t.Helper()
			if len(got) != len(want) {
				t.Fatalf("%q", got)
			}
			for i := range got {
				if !strings.Contains(got[i], want[i]) {
					t.Errorf("item %d: %s, want %s", i, got[i], want[i])
				}
			}
		}
		expect(bulk("b-1", "e-1", "b-2", "e-2", "b-3", "e-1", "b-4", "cust-7"), "saved", "saved", "coach b-1 has it",
			"coach q-1 has it")
		expect(bulk("b-1", "e-2", "b-2", "e-1"), "saved", "saved")
		expect(bulk("b-1", "cust-7", "b-2", "e-2"), "coach q-1 has it", "coach b-1 has it")
		// A file, all or nothing.
		file := func(text string) error {
			c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
				intake.File{Name: "x.yaml", Data: []byte(text)})
			_, err := x.desk.Import(t.Context(), "one", c)
			return err
		}
		err := file("coaches: [{coach: f-1, external_id: f, slides: []}, {coach: f-2, external_id: cust-7, slides: []}]")
		if fault.KindOf(err) != fault.Invalid || !strings.Contains(fault.SentenceOf(err), "q-1 has it") {
			t.Errorf("a file: %v", err)
		}
		err = file("coaches: [{coach: f-1, external_id: f, slides: []}, {coach: f-2, external_id: f, slides: []}]")
		if !strings.Contains(fault.SentenceOf(err), "coach f-1 has it") {
			t.Errorf("twice in a file: %v", err)
		}
		// Many at once: one has it in the end.
		var wait sync.WaitGroup
		codes := make([]int, 8)
		for i := range codes {
			wait.Go(func() {
				codes[i], _, _ = x.do(key, "PUT", fmt.Sprintf("/coaches/r-%d", i), `{"external_id":"race","slides":[]}`)
			})
		}
		wait.Wait()
		_, _, said := x.do(key, "GET", "/coaches?external_id=race", "")
		if items, _ := field(t, said, "items").([]any); len(items) != 1 ||
			len(slices.DeleteFunc(slices.Clone(codes), func(c int) bool { return c != 200 })) != 1 {
			t.Errorf("%v, and %s", codes, said)
		}
		// Pairs that an earlier version stored.
		if err := db.Update(t.Context(), func(tx *store.Tx) error {
			_, err := tx.SaveCoaches(t.Context(), "one",
				[]coach.Coach{{ID: "o-1", External: "old"}, {ID: "o-2", External: "old"}})
			return err
		}); err != nil {
			t.Fatal(err)
		}
		put("o-2", "old", 200)
		put("o-3", "old", 409, "o-1")
		expect(bulk("o-1", "old", "o-2", "old"), "saved", "saved")
		var doubled []store.Doubled
		if err := db.View(t.Context(), func(tx *store.Tx) (err error) {
			doubled, err = tx.DoubledExternals(t.Context())
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if len(doubled) != 1 || doubled[0].External != "old" || text(t, doubled[0].Coaches) != `["o-1","o-2"]` {
			t.Errorf("%v", doubled)
		}
		// An archive brings them back as they were.
		var b bytes.Buffer
		if err := x.desk.Archive(t.Context(), "one", &b); err != nil {
			t.Fatal(err)
		}
		other := &desk.Desk{DB: storetest.Fresh(t, db.Name()), Now: x.desk.Now, Places: x.desk.Places}
		if err := other.Restore(t.Context(), "copy", bytes.NewReader(b.Bytes()), int64(b.Len()), true); err != nil {
			t.Errorf("restored: %v", err)
		}
		put("o-2", "new", 200)
		put("o-2", "old", 409, "o-1") // who gave it up does not get it back
	})
}
