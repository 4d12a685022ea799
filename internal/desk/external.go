package desk

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// ExternalTaken is the error of coaches that ask for an external_id which another coach
// of the account has.
type ExternalTaken struct{ err error }

// Error is the whole of it.
func (e *ExternalTaken) Error() string { return e.err.Error() }

// Unwrap returns the error with its words for people.
func (e *ExternalTaken) Unwrap() error { return e.err }

const externalHint = "Give it another external_id, or take this one away from the other coach first."

// takenExternals tells of coaches that are about to be stored which of them ask for an
// external_id that another coach has: a customer system that finds a coach by its own key
// must find one.
func takenExternals(ctx context.Context, tx *store.Tx, id coach.AccountID,
	cs []*coach.Coach) (map[coach.ID]string, error) {
	taken, err := tx.TakenExternals(ctx, id, cs)
	if err != nil || len(taken) == 0 {
		return nil, err
	}
	out := map[coach.ID]string{}
	for _, c := range cs {
		if other, ok := taken[c.ID]; ok {
			out[c.ID] = fmt.Sprintf("coach %s cannot have external_id %q: coach %s has it", c.ID, c.External, other)
		}
	}
	return out, nil
}

// keepExternals refuses coaches that ask for an external_id that is taken, all in one
// report.
func keepExternals(ctx context.Context, tx *store.Tx, id coach.AccountID, cs []coach.Coach) error {
	ps := make([]*coach.Coach, len(cs))
	for i := range cs {
		ps[i] = &cs[i]
	}
	taken, err := takenExternals(ctx, tx, id, ps)
	if err != nil || len(taken) == 0 {
		return err
	}
	return &ExternalTaken{fault.New(fault.Invalid, strings.Join(slices.Sorted(maps.Values(taken)), "; "), externalHint)}
}
