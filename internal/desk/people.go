package desk

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// Shop returns an account and its day.
func (d *Desk) Shop(ctx context.Context, id coach.AccountID) (a coach.Account, today civil.Date, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err = tx.Account(ctx, id, false)
		today = d.today(a)
		return err
	})
	return a, today, err
}

// PersonRow is a person of a coach, and whether mail reaches them.
type PersonRow struct {
	Coach coach.ID
	coach.Person
	Stopped bool   // wants no reminders
	Bad     string // what the mail server said of the address; "": it works as far as is known
}

// PeopleAfter returns the people of coaches in the order of the coaches' last change,
// after a change time and name; last is the last coach that was looked at, if there may
// be more.
func (d *Desk) PeopleAfter(
	ctx context.Context, id coach.AccountID, at int64, after string, most int,
) (out []PersonRow, last *store.ChangedCoach, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err := tx.ChangedCoaches(ctx, id, at, after, most)
		if err != nil {
			return err
		}
		stopped, err := tx.OptOuts(ctx, id)
		if err != nil {
			return err
		}
		bad, err := tx.BadAddresses(ctx, id)
		if err != nil {
			return err
		}
		for _, r := range rows {
			c, err := r.Coach()
			if err != nil {
				return err
			}
			for _, p := range c.People {
				out = append(out, PersonRow{c.ID, p, stopped[p.Email], bad[p.Email]})
			}
		}
		if len(rows) == most {
			last = &rows[most-1]
		}
		return nil
	})
	return out, last, err
}
