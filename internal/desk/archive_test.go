package desk_test

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math/rand/v2"
	"testing"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// An account goes out and comes back to the same bytes, also from one kind of database
// to the other; a damaged archive is refused whole.
func TestArchive(t *testing.T) {
	open := func(kind string) *desk.Desk {
		return &desk.Desk{DB: storetest.Fresh(t, kind), Now: civil.Of(2026, 2, 10).Time, Places: testkit.Tables(t)}
	}
	from := open("sqlite")
	c := intake.Read(intake.Options{Today: civil.Of(2026, 2, 10), Places: from.Places}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	if _, err := from.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
	img := image.NewRGBA(image.Rect(0, 0, 2000, 1000))
	img.Set(3, 3, color.White)
	var pic bytes.Buffer
	if err := png.Encode(&pic, img); err != nil {
		t.Fatal(err)
	}
	if err := from.Attach(t.Context(), "main", "m", "heron-01",
		desk.File{Slide: "galley", Name: "corner.png", Data: pic.Bytes()}); err != nil {
		t.Fatal(err)
	}
	if err := from.DB.Update(t.Context(), func(tx *store.Tx) error {
		if err := tx.AddReading(t.Context(), "main", "heron-01",
			coach.Reading{Day: civil.Of(2026, 1, 5), Kind: coach.BulbHeight, Slide: "galley", Run: "outer/top", Part: coach.Bulb,
				Value: 17.46875, By: "owner", Note: "\"quoted\", 17 ½"}); err != nil {
			return err
		}
		if err := tx.SaveRules(t.Context(), "main", "2026.1+1", string(config.Rulebook), "a note"); err != nil {
			return err
		}
		return tx.AddEvents(t.Context(), "main", store.Happened{Kind: "task.done", Coach: "heron-01",
			Data: map[string]any{"a": 1}})
	}); err != nil {
		t.Fatal(err)
	}
	write := func(d *desk.Desk) []byte {
		t.Helper()
		var b bytes.Buffer
		if err := d.Archive(t.Context(), "main", &b); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	first := write(from)
	for _, kind := range []string{"sqlite", "postgres"} {
		to := open(kind)
		// quiet or not
		if err := to.Restore(t.Context(), "main", bytes.NewReader(first), int64(len(first)), kind == "postgres"); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		if again := write(to); !bytes.Equal(again, first) {
			t.Errorf("%s: %d bytes came back as %d others", kind, len(first), len(again))
		}
		if err := to.Restore(t.Context(), "main", bytes.NewReader(first), int64(len(first)),
			false); fault.KindOf(err) != fault.Conflict {
			t.Errorf("%s: over an account that exists: %v", kind, err)
		}
		if err := to.Restore(t.Context(), "copy", bytes.NewReader(first), int64(len(first)),
			false); fault.KindOf(err) != fault.Conflict && err != nil {
			t.Errorf("%s: beside an account that exists: %v", kind, err)
		}
	}
	refused := 0
	for at := 100; at < len(first); at += len(first) / 40 {
		to := open("sqlite")
		bad := bytes.Clone(first)
		bad[at] ^= 0x55
		switch err := to.Restore(t.Context(), "main", bytes.NewReader(bad), int64(len(bad)), false); {
		case err != nil:
			refused++
			if err := to.Restore(t.Context(), "main", bytes.NewReader(first), int64(len(first)), false); err != nil {
				t.Errorf("half of a damaged archive stayed: %v", err)
			}
		case !bytes.Equal(write(to), first): // a byte that means nothing, such as a file's time
			t.Errorf("an archive damaged at %d was taken for another one", at)
		}
	}
	if refused < 20 {
		t.Errorf("only %d of 40 damaged archives were refused", refused)
	}
}

// writer runs something once, when the first bytes are written.
type writer struct {
	bytes.Buffer
	first func()
}

func (w *writer) Write(b []byte) (int, error) {
	if f := w.first; f != nil {
		w.first = nil
		f()
	}
	return w.Buffer.Write(b)
}

// An archive that is taken while somebody writes is one moment of the account: it can be
// restored, and holds either all of what was written or nothing.
func TestArchiveWhileSomebodyWrites(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d := &desk.Desk{DB: db, Now: civil.Of(2026, 2, 10).Time, Places: testkit.Tables(t)}
		save := func(cs []coach.Coach, done ...coach.Service) {
			err := db.Update(t.Context(), func(tx *store.Tx) error {
				if _, err := tx.SaveCoaches(t.Context(), "main", cs); err != nil {
					return err
				}
				for _, s := range done {
					if err := tx.AddService(t.Context(), "main", cs[0].ID, s); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		shop := &coach.Account{Name: "A Shop", Postal: "1 Road"}
		if _, err := d.Import(t.Context(), "main", intake.Content{Shop: shop}); err != nil {
			t.Fatal(err)
		}
		noise := rand.New(rand.NewPCG(1, 2)) // does not compress, so that bytes leave before the last table is read
		var cs []coach.Coach
		for i := range 400 {
			label := fmt.Sprintf("%x%x", noise.Uint64(), noise.Uint64())
			cs = append(cs, coach.Coach{ID: coach.ID(fmt.Sprintf("c-%03d", i)), Label: label})
		}
		save(cs)
		wrote := false
		w := &writer{first: func() {
			wrote = true
			save([]coach.Coach{{ID: "late"}}, coach.Service{Day: civil.Of(2026, 2, 9), Kind: coach.Clean, By: "shop"})
		}}
		if err := d.Archive(t.Context(), "main", w); err != nil {
			t.Fatal(err)
		}
		if !wrote {
			t.Fatal("nothing was written meanwhile")
		}
		to := &desk.Desk{DB: storetest.Fresh(t, db.Name()), Now: d.Now, Places: d.Places}
		if err := to.Restore(t.Context(), "main", bytes.NewReader(w.Bytes()), int64(w.Len()), false); err != nil {
			t.Fatalf("the archive cannot be restored: %v", err)
		}
		if late, err := to.Coach(t.Context(), "main", "late"); fault.KindOf(err) != fault.NotFound &&
			len(late.Services) != 1 {
			t.Errorf("half of what was written meanwhile came back: %+v, %v", late, err)
		}
	})
}
