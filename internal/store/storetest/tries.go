package storetest

import (
	"context"
	"errors"
	"testing"
	"time"

	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// A worker that was taken over from settles nothing of its successor's try, also when
// the two meet: it waits for the claim, and finds that the try is not its own.
func takenOverSettlesNothing(t *testing.T, open func() *store.DB) {
	for _, s := range []reminder.State{reminder.Accepted, reminder.Retry} {
		t.Run(string(s), func(t *testing.T) {
			db, other := open(), open()
			clock := noon
			db.Now = func() time.Time { return clock }
			seed(t, db)
			add(t, db, notice(string(s), noon))
			claim(t, db, string(s))
			clock = noon.Add(2 * time.Minute)
			late := make(chan error)
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				if n, ok, err := tx.Claim(ctx, shop.ID, string(s), time.Minute); err != nil || !ok || n.Try != 2 {
					t.Errorf("claimed %v as try %d: %v", ok, n.Try, err)
				}
				go func() {
					late <- other.Update(ctx, func(tx *store.Tx) error { return tx.Settle(ctx, shop.ID, string(s), 1, s, "late", 0) })
				}()
				Stalled(t, db, 1)
				return nil
			})
			if err := <-late; !errors.Is(err, reminder.ErrSettled) {
				t.Errorf("the late worker: %v", err)
			}
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				if r, err := tx.NoticeByKey(ctx, shop.ID, string(s)); err != nil || r.State != string(reminder.Sending) ||
					r.Reply != "" || r.LeaseEnd == nil {
					t.Errorf("the successor's try is %+v: %v", r, err)
				}
				return tx.Settle(ctx, shop.ID, string(s), 2, s, "words", 0)
			})
		})
	}
}

// A notice that a worker claims while it is being withdrawn does not escape: the one who
// withdraws waits for the claim, and recalls it.
func claimedIsRecalled(t *testing.T, open func() *store.DB) {
	for name, withdraw := range map[string]func(*store.Tx) error{
		"task": func(tx *store.Tx) error {
			_, err := tx.Withdraw(t.Context(), shop.ID, "", notice("task", noon).TaskKey)
			return err
		},
		"coach": func(tx *store.Tx) error { _, err := tx.WithdrawCoach(t.Context(), shop.ID, sample.ID); return err },
		"one":   func(tx *store.Tx) error { _, err := tx.WithdrawOne(t.Context(), shop.ID, "one"); return err },
	} {
		t.Run(name, func(t *testing.T) {
			db, other := open(), open()
			db.Now = func() time.Time { return noon }
			other.Now = db.Now
			seed(t, db)
			add(t, db, notice(name, noon))
			gone := make(chan error)
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				if _, ok, err := tx.Claim(ctx, shop.ID, name, time.Minute); err != nil || !ok {
					t.Errorf("claimed %v: %v", ok, err)
				}
				go func() { gone <- other.Update(ctx, withdraw) }()
				Stalled(t, db, 1)
				return nil
			})
			if err := <-gone; err != nil {
				t.Fatal(err)
			}
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				if err := tx.Settle(ctx, shop.ID, name, 1, reminder.Retry, "later", 0); err != nil {
					return err
				}
				_, ok, err := tx.Claim(ctx, shop.ID, name, time.Minute)
				if ok {
					t.Error("it is tried again although it was withdrawn")
				}
				return err
			})
		})
	}
}
