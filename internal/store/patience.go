package store

import (
	"context"
	"errors"
	"time"

	"github.com/lib/pq"
	sqlite "modernc.org/sqlite"
)

type patienceKey struct{}

// Impatient bounds how long updates under a context wait for others to finish: after
// that they fail as Unavailable, with nothing stored. Requests of people and programs
// are answered that way while a pass holds their account; jobs wait.
func Impatient(ctx context.Context, most time.Duration) context.Context {
	return context.WithValue(ctx, patienceKey{}, most)
}

func patience(ctx context.Context) (most time.Duration, bounded bool) {
	most, bounded = ctx.Value(patienceKey{}).(time.Duration)
	return most, bounded
}

var errBusy = errors.New("other updates took too long")

// takeTurn waits until no other update of this process is at work, where the database
// has one writer. Who waits here holds no connection, so readers find one.
func (db *DB) takeTurn(ctx context.Context) (done func(), err error) {
	if db.turn == nil {
		return func() {}, nil
	}
	var over <-chan time.Time
	if most, bounded := patience(ctx); bounded {
		over = time.After(most)
	}
	select {
	case db.turn <- struct{}{}:
		return func() { <-db.turn }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-over:
		return nil, errBusy
	}
}

// busy reports whether others were in the way until a transaction gave up: it lost
// against them again and again, waited too long for a lock (55P03), or was canceled
// while it waited (57014, SQLITE_INTERRUPT).
func busy(err error) bool {
	if pe, ok := errors.AsType[*pq.Error](err); ok {
		return lostRace(err) || pe.Code == "55P03" || pe.Code == "57014"
	}
	if se, ok := errors.AsType[*sqlite.Error](err); ok {
		return lostRace(err) || se.Code()&0xff == 9
	}
	return errors.Is(err, errBusy) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}
