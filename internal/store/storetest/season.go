package storetest

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/plan"
	"sealmanac/internal/reminder"
	"sealmanac/internal/season"
	"sealmanac/internal/store"
)

// A workshop, a plan's visits and bookings come back as they were; bookings are
// replaced by source and never cross an account's wall.
func seasonRoundTrip(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	w := &coach.Workshop{Hours: map[coach.Skill]float64{coach.RoomOut: 8}, Travel: -1,
		Pins: []coach.Pin{{Coach: "a", Day: civil.Of(2026, 3, 3)}}}
	vs := []season.Visit{{Coach: "a", Day: civil.Of(2026, 3, 3),
		Tasks: []plan.Task{{Kind: coach.Inspect, Run: "s", Anchor: civil.Of(2025, 1, 1), Mark: "again"}}, Low: .3,
		High: 1. / 3}}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if got, err := tx.Workshop(ctx, shop.ID); got != nil || err != nil {
			t.Errorf("workshop before one was said: %+v %v", got, err)
		}
		must(t, tx.SaveWorkshop(ctx, shop.ID, w))
		must(t, tx.SaveVisits(ctx, shop.ID, vs))
		cs, err := tx.Coaches(ctx, shop.ID)
		must(t, err)
		id := cs[0].ID
		must(t, tx.SaveBookings(ctx, shop.ID, id, "one",
			[]coach.Booking{{From: civil.Of(2026, 3, 3), Until: civil.Of(2026, 3, 9)}}))
		must(t, tx.SaveBookings(ctx, shop.ID, id, "two",
			[]coach.Booking{{From: civil.Of(2026, 2, 3), Until: civil.Of(2026, 2, 9)}}))
		must(t, tx.SaveBookings(ctx, shop.ID, id, "one",
			[]coach.Booking{{From: civil.Of(2026, 4, 3), Until: civil.Of(2026, 4, 9)}}))
		if err := tx.SaveBookings(ctx, "other", id, "one", nil); fault.KindOf(err) != fault.NotFound {
			t.Errorf("bookings through the wall: %v", err)
		}
		return nil
	})
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		got, err := tx.Workshop(ctx, shop.ID)
		must(t, err)
		if d := cmp.Diff(w, got); d != "" {
			t.Error(d)
		}
		back, err := tx.Visits(ctx, shop.ID)
		must(t, err)
		if d := cmp.Diff(vs, back); d != "" {
			t.Error(d)
		}
		cs, err := tx.Coaches(ctx, shop.ID)
		must(t, err)
		if bs := cs[0].Bookings; len(bs) != 2 || bs[0].Source != "two" || bs[1].From != civil.Of(2026, 4, 3) {
			t.Errorf("bookings %+v", bs)
		}
		return nil
	})
}

// A notice about a lot outlives an ordinary stop and counts as nobody's message.
func lotNoticesStay(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	lot, care := notice("lot", noon), notice("care", noon)
	lot.TaskKey, lot.Person = reminder.LotKey("x"), care.Person
	add(t, db, care)
	add(t, db, lot)
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		if n, err := tx.Withdraw(ctx, shop.ID, care.Person, ""); err != nil || n != 1 {
			t.Errorf("%d withdrawn, %v", n, err)
		}
		past, err := tx.Past(ctx, shop.ID, "")
		must(t, err)
		for _, ps := range past {
			for _, p := range ps {
				if p.TaskKey == lot.TaskKey {
					t.Error("it counts as a reminder")
				}
			}
		}
		rows, err := tx.CampaignNotices(ctx, shop.ID, "x")
		must(t, err)
		if len(rows) != 1 || rows[0].State != string(reminder.Queued) {
			t.Errorf("%+v", rows)
		}
		return nil
	})
}
