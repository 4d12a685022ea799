package desk

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/store/storetest"
)

// A trial of an import says what the import would say, and stores nothing, whether the
// import would be accepted or not.
func TestTryImport(t *testing.T) {
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			d := deskOn(t, kind)
			read := func(ahead int, name, text string) intake.Content {
				t.Helper()
				c := intake.Read(intake.Options{Today: today.Add(ahead), Places: d.Places}, nil,
					intake.File{Name: name, Data: []byte(text)})
				if err := c.Problems.Err(); err != nil {
					t.Fatal(err)
				}
				return c
			}
			const head = "coach,place,slide,run,part,material,construction,fitted\n"
			const fine = fault.Kind(255) // no failure
			before := coaches(t, d)
			for name, c := range map[string]struct {
				id      coach.AccountID
				content intake.Content
				known   bool
				kind    fault.Kind
			}{
				"a list that merges": {"main",
					read(0, "a.csv", head+`a,"Yuma, AZ",s,outer/top,bulb,tpv,track,2026-01-05`), true, fine},
				"a list from a day that the shop has not": {"main",
					read(1, "a.csv", head+`a,"Yuma, AZ",s,outer/top,bulb,tpv,track,2026-03-04`), true, fault.Invalid},
				"bookings of a coach that nobody knows": {"main",
					read(0, "b.csv", "coach,from,until\nzz,2026-05-01,2026-05-08\n"), true, fault.NotFound},
				"a list before its shop": {"new",
					read(0, "a.csv", head+`n,"Yuma, AZ",s,outer/top,bulb,tpv,track,2026-01-05`), false, fine},
				"a shop with its coaches": {"new", read(0, "a.yaml", scenario), true, fine},
				"bookings before the shop and their coach": {"new", read(0, "b.csv", "coach,from,until\na,2026-05-01,2026-05-08\n"),
					false, fault.NotFound},
			} {
				_, known, err := d.TryImport(t.Context(), c.id, c.content)
				if known != c.known || err != nil && fault.KindOf(err) != c.kind || err == nil && c.kind != fine {
					t.Errorf("%s: known %v, %v", name, known, err)
				}
				if diff := cmp.Diff(before, coaches(t, d)); diff != "" {
					t.Fatalf("%s: the trial changed the record:\n%s", name, diff)
				}
				if !c.known || c.id == "new" {
					if _, err := d.Coach(t.Context(), "new", "n"); fault.KindOf(err) != fault.NotFound {
						t.Errorf("%s: the trial left something: %v", name, err)
					}
				}
				if c.kind == fine {
					continue
				}
				if c.id == "main" {
					if _, real := d.Import(t.Context(), c.id, c.content); real == nil || real.Error() != err.Error() {
						t.Errorf("%s: the trial says %v, the import %v", name, err, real)
					}
				}
			}
		})
	}
}
