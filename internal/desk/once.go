package desk

import (
	"context"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// keyLease is how long a request that holds an Idempotency-Key may give no sign of life
// before a repeat of it may run: its process died. keyBeat is how often it gives one. On
// SQLite a sign waits until the transaction that is under way has ended, as repeats do,
// and so the lease is much longer than the beat.
const keyLease = 3 * time.Minute

// keyPatience is how long the end of a request that holds a key waits to be recorded.
const keyPatience = 30 * time.Second

var keyBeat = 30 * time.Second // shorter in tests

// Once runs a post that carries an Idempotency-Key, unless it ran before: then ran is
// false, and a is what the first was answered within the last day. asked is a hash of the
// request: the same key with another request is refused. run says whether its answer is to
// be kept; otherwise, and after a panic, the same key may try again.
func (d *Desk) Once(
	ctx context.Context, id coach.AccountID, key, asked string, run func() (a KeptAnswer, keep bool),
) (a KeptAnswer, ran bool, err error) {
	claim, a, err := d.claimKey(ctx, id, key, asked)
	if err != nil || claim == 0 {
		return a, false, err
	}
	// A caller who went away must not leave the key claimed, nor a pass that has begun
	// meanwhile.
	ctx = store.Impatient(context.WithoutCancel(ctx), keyPatience)
	stop := d.holdKey(ctx, id, key, claim)
	keep := false
	defer func() {
		stop()
		err = d.DB.Update(ctx, func(tx *store.Tx) error {
			if !keep {
				return tx.DropAnswer(ctx, id, key, claim)
			}
			_, err := tx.FinishAnswer(ctx, id, key, claim, a)
			return err
		})
	}()
	a, keep = run()
	return a, true, nil
}

// claimKey returns a claim, or the answer that is on record.
func (d *Desk) claimKey(
	ctx context.Context, id coach.AccountID, key, asked string,
) (claim int64, a KeptAnswer, err error) {
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		if claim, err = tx.ClaimKey(ctx, id, key, asked, keyLease); err != nil || claim != 0 {
			return err
		}
		var ok bool
		a, ok, err = tx.KeptAnswerOf(ctx, id, key)
		switch {
		case err != nil:
			return err
		case ok && a.Asked != asked:
			return fault.New(fault.Invalid, "this Idempotency-Key was used for another request",
				"Use a new key for each request.")
		case !ok || a.Status == 0:
			return fault.New(fault.Conflict, "the first request with this Idempotency-Key is still at work",
				"Send it again in a moment.")
		}
		return nil
	})
	return claim, a, err
}

// holdKey extends a claim until stop is called. An extension that fails is made up for by
// the next one.
func (d *Desk) holdKey(ctx context.Context, id coach.AccountID, key string, claim int64) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		beat := time.NewTicker(keyBeat)
		defer beat.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-beat.C:
				_ = d.DB.Update(ctx, func(tx *store.Tx) error { return tx.ExtendKey(ctx, id, key, claim, keyLease) })
			}
		}
	}()
	return func() {
		cancel()
		<-ended
	}
}
