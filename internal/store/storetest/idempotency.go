package storetest

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sealmanac/internal/store"
)

// Of many that claim a key at once, one gets it.
func keyIsClaimedOnce(t *testing.T, open func() *store.DB) {
	db := open()
	var got atomic.Int32
	for range 10 {
		key := time.Now().String()
		var all sync.WaitGroup
		start := make(chan struct{})
		got.Store(0)
		for range 8 {
			all.Go(func() {
				<-start
				err := db.Update(t.Context(), func(tx *store.Tx) error {
					claim, err := tx.ClaimKey(t.Context(), shop.ID, key, "asked", time.Minute)
					if claim != 0 {
						got.Add(1)
					}
					return err
				})
				if err != nil {
					t.Error(err)
				}
			})
		}
		close(start)
		all.Wait()
		if n := got.Load(); n != 1 {
			t.Fatalf("%d of 8 got the key", n)
		}
	}
}

// A claim holds while its lease does, and its answer for a day. Who was taken over from
// changes nothing any more.
func keyLeaseEnds(t *testing.T, open func() *store.DB) {
	db := open()
	now := noon
	db.Now = func() time.Time { return now }
	claim := func(asked string) (claim int64) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
			claim, err = tx.ClaimKey(ctx, shop.ID, "k", asked, time.Minute)
			return err
		})
		return claim
	}
	first := claim("asked")
	now = noon.Add(time.Minute - time.Microsecond)
	if first == 0 || claim("asked") != 0 {
		t.Fatal("a key was given to two while the first was at work")
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error {
		return tx.ExtendKey(ctx, shop.ID, "k", first, time.Minute)
	})
	now = noon.Add(time.Minute)
	if claim("asked") != 0 {
		t.Fatal("the lease was not extended")
	}
	now = noon.Add(2*time.Minute - time.Microsecond)
	if claim("other") != 0 {
		t.Fatal("another request got the key of one that died")
	}
	second := claim("asked")
	if second == 0 || second == first {
		t.Fatalf("after the lease: %d, the first was %d", second, first)
	}
	a := store.KeptAnswer{Asked: "asked", Status: 201, Body: "{}", MediaType: "application/json", ETag: `"1"`,
		Location: "/x"}
	finish := func(claim int64) (ok bool) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
			if err := tx.ExtendKey(ctx, shop.ID, "k", claim, time.Hour); err != nil {
				return err
			}
			ok, err = tx.FinishAnswer(ctx, shop.ID, "k", claim, a)
			return err
		})
		return ok
	}
	update(t, db, func(ctx context.Context, tx *store.Tx) error { return tx.DropAnswer(ctx, shop.ID, "k", first) })
	if finish(first) {
		t.Error("who was taken over from kept an answer")
	}
	if !finish(second) || finish(second) {
		t.Error("an answer is kept once")
	}
	kept := func() (got store.KeptAnswer, ok bool) {
		t.Helper()
		update(t, db, func(ctx context.Context, tx *store.Tx) (err error) {
			got, ok, err = tx.KeptAnswerOf(ctx, shop.ID, "k")
			return err
		})
		return got, ok
	}
	until := noon.Add(2*time.Minute - time.Microsecond).Add(24 * time.Hour)
	now = until.Add(-time.Microsecond)
	if got, ok := kept(); !ok || !cmp.Equal(got, a) || claim("asked") != 0 {
		t.Errorf("a day less a moment later: %v %+v", ok, got)
	}
	now = until
	if _, ok := kept(); ok || claim("other") == 0 {
		t.Error("after a day the key is not free")
	}
}
