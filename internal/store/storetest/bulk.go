package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// fleet returns coaches enough for the fastest way in, with texts that need care there.
func fleet(n int, change func(i int, c *coach.Coach)) (out []coach.Coach) {
	awkward := []string{"tab\there", `back\slash \N \t`, `quote " and '`, "line\nbreak", "ça – 席", `\.`, ""}
	for i := range n {
		c := sample
		c.ID, c.Label, c.External = coach.ID(fmt.Sprintf("f-%03d", i)), awkward[i%len(awkward)], awkward[(i+1)%len(awkward)]
		c.Slides = slices.Clone(c.Slides)
		c.Slides[0].Runs = slices.Clone(c.Slides[0].Runs)
		c.Slides[0].Runs[0].Parts = []coach.Part{{Kind: coach.Bulb, Material: coach.EPDMSponge, Fitted: civil.Of(2024, 2, 29),
			Lot: "L7"}, {Kind: coach.Wiper, Material: coach.EPDMDense, Fitted: civil.Of(2024, 2, 29), Lot: coach.UnknownLot}}
		change(i, &c)
		out = append(out, c)
	}
	return out
}

// bulk adds many coaches, stores them again as they are, and with changes to some.
func bulk(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	save := func(cs []coach.Coach) (changed map[coach.ID]bool) {
		update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
			changed, err = tx.SaveCoaches(ctx, shop.ID, cs)
			return err
		})
		return changed
	}
	as := fleet(700, func(int, *coach.Coach) {})
	if n := len(save(as)); n != 700 {
		t.Errorf("%d of 700 are new", n)
	}
	var got coach.Coach
	var version int64
	read := func(id coach.ID) {
		update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
			got, version, err = tx.CoachDoc(ctx, shop.ID, id)
			return err
		})
	}
	for i := range 7 {
		if read(as[i].ID); got.Label != as[i].Label || got.External != as[i].External {
			t.Errorf("%q, %q came back as %q, %q", as[i].Label, as[i].External, got.Label, got.External)
		}
	}
	read("f-000")
	was := version
	if n := len(save(as)); n != 0 {
		t.Errorf("%d changed without a change", n)
	}
	if read("f-000"); version != was {
		t.Error("an unchanged coach has a new version")
	}
	// Of the first three: another lot; the wiper gone; the bulb renewed.
	bs := fleet(700, func(i int, c *coach.Coach) {
		switch ps := c.Slides[0].Runs[0].Parts; i {
		case 0:
			ps[0].Lot = "L8"
		case 1:
			c.Slides[0].Runs[0].Parts = ps[:1]
		case 2:
			ps[0].Fitted, ps[0].Lot = civil.Of(2026, 1, 5), "L9"
		}
	})
	if changed := save(bs); len(changed) != 3 || !changed["f-000"] || !changed["f-001"] || !changed["f-002"] {
		t.Errorf("changed: %v", changed)
	}
	if read("f-000"); version <= was {
		t.Error("a changed coach has its old version")
	}
	// Also when the clock stands still, or goes back.
	now := db.Now().Add(-time.Hour)
	db.Now = func() time.Time { return now }
	for k := range 3 {
		was = version
		save(fleet(1, func(_ int, c *coach.Coach) { c.Label = fmt.Sprint("label ", k) }))
		if read("f-000"); version <= was || got.Label != fmt.Sprint("label ", k) {
			t.Errorf("%q has version %d after %d", got.Label, version, was)
		}
	}
	save(bs[:1])
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		// the first coach of all has one of L7
		for lot, want := range map[string]int{"L7": 699, "L8": 1, "L9": 1, coach.UnknownLot: 699} {
			if ps, err := tx.PartsOfLot(ctx, shop.ID, lot); err != nil || len(ps) != want {
				t.Errorf("%d parts of lot %s, want %d; %v", len(ps), lot, want, err)
			}
		}
		lives, err := tx.Lives(ctx, shop.ID)
		if len(lives) != 1 || lives[0].Coach != "f-002" || lives[0].Ended != civil.Of(2026, 1, 5) {
			t.Errorf("lives: %+v", lives)
		}
		return err
	})
}
