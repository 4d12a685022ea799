package store

import (
	"context"
	"slices"

	"sealmanac/internal/coach"
)

// TakenExternals returns those of some coaches about to be stored that ask for an
// external_id which another coach has, with that other coach. A coach that has its
// external_id already keeps it, even if another has it too: such pairs were stored before
// they were refused. Coaches that give up theirs in the same list stand in nobody's way.
// The account must be locked, or else two lists at once can take the same one.
func (tx *Tx) TakenExternals(ctx context.Context, id coach.AccountID,
	cs []*coach.Coach) (taken map[coach.ID]coach.ID, err error) {
	defer fail("store.TakenExternals", &err)
	var asked []string
	for _, c := range cs {
		if c.External != "" {
			asked = append(asked, c.External)
		}
	}
	has := map[string][]coach.ID{} // by external_id, on record
	for chunk := range slices.Chunk(asked, 500) {
		var rows []struct {
			Coach    coach.ID `db:"coach_id"`
			External string   `db:"external_id"`
		}
		q, args := tx.d.lookUp("DISTINCT coach_id, external_id", "external_id", 100, id, chunk)
		if err := tx.list(ctx, &rows, q+` ORDER BY coach_id`, args...); err != nil {
			return nil, err
		}
		for _, r := range rows {
			has[r.External] = append(has[r.External], r.Coach)
		}
	}
	taken = map[coach.ID]coach.ID{}
	// Each round takes those that were refused so far out of those that give up theirs: who is
	// refused keeps what it has, and that may refuse another. It ends when nobody is added.
	for more := true; more; {
		more = false
		leaves := map[coach.ID]string{}
		for _, c := range cs {
			if _, refused := taken[c.ID]; !refused {
				leaves[c.ID] = c.External
			}
		}
		first := map[string]coach.ID{} // of those that ask for one that is new to them
		for _, c := range cs {
			if _, refused := taken[c.ID]; refused || c.External == "" || slices.Contains(has[c.External], c.ID) {
				continue
			}
			other, dup := first[c.External]
			k := slices.IndexFunc(has[c.External], func(o coach.ID) bool {
				now, listed := leaves[o]
				return !listed || now == c.External
			})
			if k >= 0 {
				other, dup = has[c.External][k], true
			}
			if dup {
				taken[c.ID], more = other, true
				continue
			}
			first[c.External] = c.ID
		}
	}
	return taken, nil
}

// Doubled is an external_id that several coaches of an account have.
type Doubled struct {
	Account, External string
	Coaches           []string
}

// DoubledExternals returns the external_ids that several coaches have, of all accounts.
func (tx *Tx) DoubledExternals(ctx context.Context) (out []Doubled, err error) {
	defer fail("store.DoubledExternals", &err)
	var rows []struct {
		Account  string `db:"account_id"`
		External string `db:"external_id"`
		Coach    string `db:"coach_id"`
	}
	err = tx.list(ctx, &rows, `SELECT c.account_id, c.external_id, c.coach_id FROM coach c
		JOIN (SELECT account_id, external_id FROM coach WHERE external_id <> '' GROUP BY account_id, external_id HAVING COUNT(*) > 1) d
			ON d.account_id = c.account_id AND d.external_id = c.external_id
		ORDER BY c.account_id, c.external_id, c.coach_id`)
	for _, r := range rows {
		if n := len(out); n == 0 || out[n-1].Account != r.Account || out[n-1].External != r.External {
			out = append(out, Doubled{Account: r.Account, External: r.External})
		}
		last := &out[len(out)-1]
		last.Coaches = append(last.Coaches, r.Coach)
	}
	return out, err
}
