package storetest

import (
	"context"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// What was said about a coach is listed by day and taken back one by one, on this side of
// an account's wall; a day that is only planned keeps its mark.
func reportsAreTakenBack(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		cs, err := tx.Coaches(ctx, shop.ID)
		must(t, err)
		id := cs[0].ID
		for kind, day := range map[reminder.AnswerKind]civil.Date{reminder.Sold: civil.Of(2026, 3, 3),
			reminder.Moved: civil.Of(2026, 3, 1)} {
			_, err := tx.AddReport(ctx, shop.ID, id, kind, "ann@example.org", day, "Tucson, AZ")
			must(t, err)
		}
		rs, err := tx.Reports(ctx, shop.ID, "")
		must(t, err)
		if len(rs) != 2 || rs[0].Kind != "moved" || rs[0].Note != "Tucson, AZ" || rs[1].Day != "2026-03-03" {
			t.Errorf("%+v", rs)
		}
		if ok, err := tx.DropReport(ctx, "other", id, reminder.Sold); ok || err != nil {
			t.Errorf("through the wall: %t %v", ok, err)
		}
		for _, want := range []bool{true, false} {
			if ok, err := tx.DropReport(ctx, shop.ID, id, reminder.Sold); ok != want || err != nil {
				t.Errorf("dropped %t %v, want %t", ok, err, want)
			}
		}
		if rs, err = tx.Reports(ctx, shop.ID, id); err != nil || len(rs) != 1 || rs[0].Kind != "moved" {
			t.Errorf("%+v %v", rs, err)
		}
		w := &coach.Workshop{Pins: []coach.Pin{{Coach: id, Day: civil.Of(2026, 4, 1), Planned: true},
			{Coach: id, Day: civil.Of(2026, 5, 1)}}}
		must(t, tx.SaveWorkshop(ctx, shop.ID, w))
		got, err := tx.Workshop(ctx, shop.ID)
		must(t, err)
		if len(got.Pins) != 2 || !got.Pins[0].Planned || len(got.Agreed()) != 1 || got.Agreed()[0].Day != civil.Of(2026, 5,
			1) {
			t.Errorf("%+v", got.Pins)
		}
		return nil
	})
}
