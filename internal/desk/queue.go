package desk

import (
	"context"
	"fmt"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Open are the states of notices that may still leave.
var Open = []reminder.State{reminder.Queued, reminder.Sending, reminder.Retry}

// Queue returns an account's notices in some states, those due first on top.
func (d *Desk) Queue(
	ctx context.Context, id coach.AccountID, states []reminder.State, most int,
) ([]store.NoticeRow, error) {
	return d.QueueAfter(ctx, id, states, 0, "", most)
}

// QueueAfter is Queue after an instant in microseconds and a notice's key.
func (d *Desk) QueueAfter(
	ctx context.Context, id coach.AccountID, states []reminder.State, at int64, after string, most int,
) (rows []store.NoticeRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		rows, err = tx.NoticesIn(ctx, id, states, at, after, most)
		return err
	})
	return rows, err
}

// Suppressed returns what the account's last pass kept back, and why.
func (d *Desk) Suppressed(ctx context.Context, id coach.AccountID) (rows []store.SuppressedRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		rows, err = tx.Suppressed(ctx, id)
		return err
	})
	return rows, err
}

// Find returns the notice that a word names: its key, its Message-ID, or the
// beginning of its short number, as the queue shows it.
func (d *Desk) Find(ctx context.Context, id coach.AccountID, word string) (found store.NoticeRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		rows, err := tx.FindNotices(ctx, id, word)
		if err != nil {
			return err
		}
		switch len(rows) {
		case 0:
			return fault.New(fault.NotFound, fmt.Sprintf("there is no notice %q in account %q", word, id),
				"Take the number that 'sealmanac queue list' shows.")
		case 1:
			found = rows[0]
			return nil
		}
		return fault.New(fault.Invalid, fmt.Sprintf("%q names several notices", word), "Give more digits of the number.")
	})
	return found, err
}

// Release lets a notice go now; one that was given up or withdrawn is tried anew.
// People who stopped the reminders are not written to that way.
func (d *Desk) Release(ctx context.Context, id coach.AccountID, word string) (store.NoticeRow, error) {
	row, err := d.Find(ctx, id, word)
	if err != nil {
		return row, err
	}
	return row, d.DB.Update(ctx, func(tx *store.Tx) error {
		outs, err := tx.OptOuts(ctx, id)
		if err != nil {
			return err
		}
		bad, err := tx.BadAddresses(ctx, id)
		if err != nil {
			return err
		}
		if words, ok := bad[row.Person]; ok {
			return fault.New(fault.Conflict, row.Person+" does not work: "+words,
				"Run 'sealmanac resubscribe' for it when it works again.")
		}
		if n := (&reminder.Notice{TaskKey: row.TaskKey}); outs[row.Person] && !n.IsLot() && !strings.HasPrefix(row.TaskKey,
			"shop|") {
			return fault.New(fault.Conflict, row.Person+" has stopped the reminders",
				"They can be switched on again with 'sealmanac resubscribe', if that is what the person wants.")
		}
		n, ok, err := tx.Release(ctx, id, row.Key)
		switch {
		case err != nil:
			return err
		case !ok:
			return fault.New(fault.Conflict, "this notice is "+row.State+" and cannot be released",
				"Only one that waits, was given up or was withdrawn can.")
		case d.Enqueue == nil:
			return nil // the daemon finds it within half a minute
		}
		return d.Enqueue(ctx, tx, []reminder.Notice{n})
	})
}

// TakeBack withdraws a notice that has not left.
func (d *Desk) TakeBack(ctx context.Context, id coach.AccountID, word string) (store.NoticeRow, error) {
	row, err := d.Find(ctx, id, word)
	if err != nil {
		return row, err
	}
	return row, d.DB.Update(ctx, func(tx *store.Tx) error {
		ok, err := tx.WithdrawOne(ctx, id, row.Key)
		if err == nil && !ok {
			return fault.New(fault.Conflict, "this notice is "+row.State+" and cannot be withdrawn",
				"Only one that has not left can.")
		}
		return err
	})
}

// Rehearse plays the days ahead on what is stored, with what people were told and
// said so far. Nothing is stored or sent.
func (d *Desk) Rehearse(
	ctx context.Context, id coach.AccountID, t cycle.Tools, until civil.Date, assume cycle.Assume,
) (from civil.Date, out cycle.Rehearsal, err error) {
	var snap cycle.Snapshot
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		snap, err = cycle.Load(ctx, tx, id, d.today(a), false)
		return err
	})
	if err != nil {
		return 0, out, err
	}
	if until < snap.Today {
		return 0, out, fault.New(fault.Invalid, "--until is before today", "Give a later day.")
	}
	return snap.Today, cycle.Rehearse(t, snap, until, assume), nil
}
