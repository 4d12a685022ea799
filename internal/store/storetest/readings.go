package storetest

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// Two parts of one edge, read on one day, are two readings: each keeps its own value,
// and taking one back leaves the other.
func readingsOfTwoParts(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	crack := func(part coach.PartKind, value float64) coach.Reading {
		return coach.Reading{Day: civil.Of(2026, 3, 3), Kind: coach.CrackGrade, Slide: "galley", Run: "outer/top", Part: part,
			Value: value, By: "shop"}
	}
	record := func(rs ...coach.Reading) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			for _, r := range rs {
				if err := tx.AddReading(ctx, shop.ID, sample.ID, r); err != nil {
					return err
				}
			}
			return nil
		})
	}
	want := func(rs ...coach.Reading) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			c, _, err := tx.Coach(ctx, shop.ID, sample.ID)
			if diff := cmp.Diff(rs, c.Readings); diff != "" {
				t.Errorf("readings on record (-want +got):\n%s", diff)
			}
			return err
		})
	}
	record(crack(coach.Bulb, 3), crack(coach.Wiper, 1))
	want(crack(coach.Wiper, 1), crack(coach.Bulb, 3))
	record(crack(coach.Wiper, 2))
	want(crack(coach.Wiper, 2), crack(coach.Bulb, 3))
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		for _, c := range []struct {
			part coach.PartKind
			has  bool
		}{{coach.Corner, false}, {coach.Bulb, true}, {coach.Bulb, false}} {
			if ok, err := tx.DropReading(ctx, shop.ID, sample.ID, crack(c.part, 0)); err != nil || ok != c.has {
				t.Errorf("dropping the reading of the %s: %v %v", c.part, ok, err)
			}
		}
		return nil
	})
	want(crack(coach.Wiper, 2))
}

// A danger that somebody read is not ended by what somebody else read harmless on the
// same day, whichever part each of them named.
func dangerOutlivesItsDay(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	hose := func(part coach.PartKind, value float64) coach.Reading {
		return coach.Reading{Day: civil.Of(2026, 3, 3), Kind: coach.HoseTest, Slide: "galley", Run: "outer/top", Part: part,
			Value: value, By: "shop"}
	}
	for _, rs := range [][]coach.Reading{{hose("", 3), hose(coach.Bulb, 0)}, {hose(coach.Bulb, 3), hose("", 0)}} {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			for _, r := range rs {
				if err := tx.AddReading(ctx, shop.ID, sample.ID, r); err != nil {
					return err
				}
			}
			c, _, err := tx.Coach(ctx, shop.ID, sample.ID)
			if err != nil {
				return err
			}
			if _, held := c.DangerOn("galley", civil.Of(2026, 3, 3)); !held || len(c.Readings) != 2 {
				t.Errorf("water through the seal and a dry test of the same day: stopped %v, readings %+v", held, c.Readings)
			}
			for _, r := range rs {
				if _, err := tx.DropReading(ctx, shop.ID, sample.ID, r); err != nil {
					return err
				}
			}
			return nil
		})
	}
}
