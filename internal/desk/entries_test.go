package desk

import (
	"context"
	"strings"
	"testing"
	"time"

	"sealmanac/config"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/exposure"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// deskOn returns a desk with rules over a fresh database of a kind, with the scenario's
// coach in account "main".
func deskOn(t *testing.T, kind string) *Desk {
	t.Helper()
	db := storetest.Fresh(t, kind)
	db.Now = func() time.Time { return today.Time().Add(18 * time.Hour) }
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	places := testkit.Tables(t)
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(places), Domain: "example.org"}
	signer := &Signer{Key: []byte(strings.Repeat("k", 32)), BaseURL: "https://x.example.org"}
	d := &Desk{DB: db, Now: db.Now, Places: places, Domain: "example.org", Snooze: 21, Signer: signer,
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}
	c := intake.Read(intake.Options{Today: today, Places: places}, nil,
		intake.File{Name: "a.yaml", Data: []byte(scenario)})
	if _, err := d.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
	return d
}

// Two parts of one edge have each their reading and each its undo. A key that a page
// wrote before keys named the part takes back what it can only have meant, and is
// refused where it may mean either.
func TestReadingsOfTwoParts(t *testing.T) {
	for _, kind := range storetest.Kinds {
		t.Run(kind, func(t *testing.T) {
			d := deskOn(t, kind)
			crack := func(part coach.PartKind, value float64) coach.Reading {
				return coach.Reading{Day: today, Kind: coach.CrackGrade, Slide: "s", Run: "outer/top", Part: part, Value: value,
					By: "shop"}
			}
			bulb, wiper := crack(coach.Bulb, 3), crack(coach.Wiper, 1)
			if err := d.Record(t.Context(), "main", "m", "a", Records{Readings: []coach.Reading{bulb, wiper}}); err != nil {
				t.Fatal(err)
			}
			want := func(rs ...coach.Reading) {
				t.Helper()
				p, err := d.CoachPage(t.Context(), "main", "a")
				if err != nil {
					t.Fatal(err)
				}
				if len(p.Coach.Readings) != len(rs) {
					t.Fatalf("on record is %+v, want %+v", p.Coach.Readings, rs)
				}
				for _, r := range rs {
					if !p.Undo[ReadingKey(r)] {
						t.Errorf("the %s's reading cannot be taken back; can be: %v", r.Part, p.Undo)
					}
				}
			}
			want(bulb, wiper)
			undo := func(key string) error { return d.TakeBackEntry(t.Context(), "main", "m", "a", key) }
			former := "reading|" + today.String() + "|crack_grade|s|outer/top|shop"
			if err := undo(former); fault.KindOf(err) != fault.Conflict || !strings.Contains(fault.HintOf(err), "page again") {
				t.Errorf("a key that may mean either part: %v, hint %q", err, fault.HintOf(err))
			}
			want(bulb, wiper)
			if err := undo(ReadingKey(bulb)); err != nil {
				t.Fatal(err)
			}
			want(wiper)
			if err := undo(ReadingKey(bulb)); fault.KindOf(err) != fault.NotFound {
				t.Errorf("taking it back twice: %v", err)
			}
			if err := undo(former); err != nil {
				t.Errorf("a key that can only mean the wiper: %v", err)
			}
			want()
			about := "|" + today.String() + "|crack_grade|s|outer/top"
			for _, key := range []string{
				"", "reading", former, "reading" + about, "x" + about, "reading|soon|crack_grade|s|outer/top||shop",
				former + "|a|b",
			} {
				if err := undo(key); fault.KindOf(err) != fault.NotFound {
					t.Errorf("%q: %v", key, err)
				}
			}
		})
	}
}
