package storetest

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// nextSchema works with a database that the next version of the program has migrated, and
// refuses one that is newer still. What the next version adds stands in the way of nothing.
func nextSchema(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	_, own, err := db.Schema(t.Context())
	must(t, err)
	migrated := func(version int64) {
		update(t, db, func(ctx context.Context, tx *store.Tx) error {
			_, err := tx.SQL().ExecContext(ctx, tx.SQL().Rebind(
				`INSERT INTO goose_db_version (version_id, is_applied) VALUES (?, ?)`), version, true)
			return err
		})
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		for _, table := range []string{"account", "coach", "part", "service", "reading", "notice", "event", "task"} {
			if _, err := tx.SQL().ExecContext(ctx, `ALTER TABLE `+table+` ADD COLUMN of_the_next TEXT`); err != nil {
				return err
			}
		}
		return nil
	})
	migrated(own + 1)
	must(t, db.Ready(t.Context()))
	must(t, db.Migrate(t.Context()))
	worksAsBefore(t, db)
	migrated(own + 2)
	for what, err := range map[string]error{"ready": db.Ready(t.Context()), "migrate": db.Migrate(t.Context())} {
		want := fmt.Sprintf("the database has schema version %d; this sealmanac works with versions %d and %d",
			own+2, own, own+1)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// worksAsBefore writes and reads what most of the program writes and reads.
func worksAsBefore(t *testing.T, db *store.DB) {
	t.Helper()
	c := sample
	c.Label = "Another"
	add(t, db, notice("n1", noon))
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		cs := append(fleet(60, func(int, *coach.Coach) {}), c)
		if changed, err := tx.SaveCoaches(ctx, shop.ID, cs); err != nil || len(changed) != len(cs) {
			return fmt.Errorf("%d of %d changed: %w", len(changed), len(cs), err)
		}
		if err := tx.AddService(ctx, shop.ID, c.ID, coach.Service{Day: 1, Kind: coach.Inspect, By: "shop"}); err != nil {
			return err
		}
		return tx.AddEvents(ctx, shop.ID, store.Happened{Kind: "coach.changed", Coach: c.ID})
	})
	must(t, db.View(t.Context(), func(tx *store.Tx) error {
		ctx := t.Context()
		got, _, err := tx.Coach(ctx, shop.ID, c.ID)
		if err != nil || got.Label != c.Label || len(got.Services) != 2 {
			t.Errorf("it came back as %+v, %v", got, err)
		}
		if ns, err := tx.Notices(ctx, shop.ID, 9); err != nil || len(ns) != 1 {
			t.Errorf("%d messages, %v", len(ns), err)
		}
		es, err := tx.Events(ctx, shop.ID, 0, 9)
		if len(es) != 1 {
			t.Errorf("%d events", len(es))
		}
		return err
	}))
}
