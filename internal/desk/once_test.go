package desk

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"sealmanac/internal/fault"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// A request that works for longer than a lease keeps its key, as it says that it lives;
// one whose process died holds it for a lease.
func TestLongWorkKeepsItsKey(t *testing.T) {
	was := keyBeat
	keyBeat = time.Millisecond
	defer func() { keyBeat = was }()
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		var now atomic.Int64
		now.Store(today.Time().UnixMicro())
		db.Now = func() time.Time { return time.UnixMicro(now.Load()) }
		d := &Desk{DB: db, Now: db.Now}
		leaseEnd := func() (end int64) {
			if err := db.View(t.Context(), func(tx *store.Tx) error {
				return tx.SQL().GetContext(t.Context(), &end, `SELECT lease_end FROM idempotency_record`)
			}); err != nil {
				t.Fatal(err)
			}
			return end
		}
		never := func() (KeptAnswer, bool) { t.Error("it ran twice"); return KeptAnswer{}, false }
		ctx, cancel := context.WithCancel(t.Context())
		_, ran, err := d.Once(ctx, "main", "k", "asked", func() (KeptAnswer, bool) {
			for range 4 { // two leases in all
				at := now.Add((keyLease / 2).Microseconds())
				for end := time.Now().Add(20 * time.Second); leaseEnd() < at+keyLease.Microseconds(); time.Sleep(time.Millisecond) {
					if time.Now().After(end) {
						t.Fatal("the claim gives no sign of life")
					}
				}
				if _, ran, err := d.Once(t.Context(), "main", "k", "asked", never); ran || fault.KindOf(err) != fault.Conflict {
					t.Errorf("a repeat meanwhile: %v", err)
				}
			}
			cancel() // the caller goes away
			return KeptAnswer{Status: 200, Body: "done"}, true
		})
		if !ran || err != nil {
			t.Fatal(ran, err)
		}
		if a, ran, err := d.Once(t.Context(), "main", "k", "asked", never); ran || err != nil || a.Body != "done" {
			t.Errorf("a repeat: %+v %v %v", a, ran, err)
		}
		if err := db.Update(t.Context(), func(tx *store.Tx) error { // as a process that dies at once
			_, err := tx.ClaimKey(t.Context(), "main", "dead", "asked", keyLease)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		again := func() (ran bool, err error) {
			_, ran, err = d.Once(t.Context(), "main", "dead", "asked", func() (KeptAnswer, bool) {
				return KeptAnswer{Status: 200}, true
			})
			return ran, err
		}
		now.Add(keyLease.Microseconds() - 1)
		if ran, err := again(); ran || fault.KindOf(err) != fault.Conflict {
			t.Errorf("a moment before the lease ends: %v %v", ran, err)
		}
		now.Add(1)
		if ran, err := again(); !ran || err != nil {
			t.Errorf("after the lease: %v %v", ran, err)
		}
	})
}
