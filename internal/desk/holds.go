package desk

import (
	"context"
	"fmt"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// Pause keeps back every reminder of an account: those that wait do not leave, and those
// that passes make are held to be read.
func (d *Desk) Pause(ctx context.Context, id coach.AccountID, by string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, true); err != nil {
			return err
		}
		if err := tx.SetQuiet(ctx, id, true); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "paused", "account", "")
	})
}

// Start ends Pause, and the pause in which a new account begins: what waited from before
// the pause leaves within minutes; what was held is made again for today, by a pass that
// is asked for at once.
func (d *Desk) Start(ctx context.Context, id coach.AccountID, by string) error {
	return d.decide(ctx, id, by, "started", func(tx *store.Tx, today civil.Date) (held int, err error) {
		if err := tx.SetQuiet(ctx, id, false); err != nil {
			return 0, err
		}
		return release(ctx, tx, id, by, today, reminder.HoldPaused)
	})
}

// Sending is whether an account sends reminders, and what waits for a decision.
type Sending struct {
	Today  civil.Date
	Paused bool
	Held   []store.Held
}

// Held is what waits for one decision.
type Held = store.Held

// Sending returns whether an account sends reminders, and what waits for a decision.
func (d *Desk) Sending(ctx context.Context, id coach.AccountID) (s Sending, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		s.Today = d.today(a)
		if s.Paused, err = tx.Quiet(ctx, id); err != nil {
			return err
		}
		s.Held, err = tx.Held(ctx, id)
		return err
	})
	return s, err
}

// HeldNotices returns the messages under a hold, by person.
func (d *Desk) HeldNotices(
	ctx context.Context, id coach.AccountID, hold string, most int,
) (rows []NoticeRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err = tx.HeldNotices(ctx, id, hold, "", most)
		return err
	})
	return rows, err
}

// ReleaseHeld lets what an unusual day holds leave. The messages are made again for
// today, so that none names a day that has gone by while it waited.
func (d *Desk) ReleaseHeld(ctx context.Context, id coach.AccountID, by string) error {
	return d.decide(ctx, id, by, "released held messages", func(tx *store.Tx, today civil.Date) (held int, err error) {
		held, err = release(ctx, tx, id, by, today, reminder.HoldUnusual)
		if err == nil && held == 0 {
			err = errNothingHeld
		}
		return held, err
	})
}

// WithdrawHeld withdraws held messages, of one import only if batch is not "", and returns
// how many. Their tasks are put off until a day, so that the next pass does not make them
// again.
func (d *Desk) WithdrawHeld(
	ctx context.Context, id coach.AccountID, by, hold, batch string, until civil.Date,
) (n int, err error) {
	err = d.decide(ctx, id, by, "withdrew held messages", func(tx *store.Tx, today civil.Date) (int, error) {
		if until <= today || until > today.Add(2*365) {
			return 0, fault.New(fault.Invalid, fmt.Sprintf("%s is not a day of the next two years", until),
				"Give the day until which the messages rest.")
		}
		rows, err := tx.HeldNotices(ctx, id, hold, batch, 1_000_000)
		if err != nil {
			return 0, err
		}
		if len(rows) == 0 {
			return 0, errNothingHeld
		}
		told := map[[2]string]bool{}
		for _, r := range rows {
			told[[2]string{r.Coach, r.Person}] = true
			if err := putOff(ctx, tx, id, by, r, today, until); err != nil {
				return 0, err
			}
		}
		// Work that only waited for its distance from a withdrawn message rests with it.
		waits, err := tx.SuppressedOf(ctx, id, string(reminder.TooSoon), 1_000_000)
		if err != nil {
			return 0, err
		}
		for _, w := range waits {
			if told[[2]string{w.Coach, w.Person}] {
				a := reminder.Answer{TaskKey: w.TaskKey, Kind: reminder.Later, Day: today, Until: until}
				if err := tx.AddAnswer(ctx, id, coach.ID(w.Coach), by, a); err != nil {
					return 0, err
				}
			}
		}
		n = len(rows)
		if _, err := tx.WithdrawHeld(ctx, id, hold, batch); err != nil {
			return 0, err
		}
		return n, tx.AddDecision(ctx, id, store.Decision{Day: today, Hold: hold, Messages: n, Batch: batch, By: by})
	})
	return n, err
}

var errNothingHeld = fault.New(fault.NotFound, "no message waits for a decision", "Look at the list again.")

// putOff answers "later" for all tasks that a message names. A danger is not put off: it
// stands on the call list.
func putOff(
	ctx context.Context, tx *store.Tx, id coach.AccountID, by string, r store.NoticeRow, today, until civil.Date,
) error {
	keys, err := r.CoverKeys()
	if err != nil {
		return err
	}
	for _, key := range keys {
		taskKey, _, _ := strings.Cut(key, "#")
		if strings.HasPrefix(taskKey, string(coach.SafetyStop)+"|") {
			continue
		}
		a := reminder.Answer{TaskKey: taskKey, Kind: reminder.Later, Day: today, Until: until}
		if err := tx.AddAnswer(ctx, id, coach.ID(r.Coach), by, a); err != nil {
			return err
		}
	}
	return nil
}

// release withdraws what is held, so that a pass makes it again, and lets the passes of
// today send as many messages as were seen. It returns how many were held.
func release(
	ctx context.Context, tx *store.Tx, id coach.AccountID, by string, today civil.Date, hold string,
) (held int, err error) {
	left, err := tx.MessagesOn(ctx, id, today)
	if err != nil {
		return 0, err
	}
	n, err := tx.WithdrawHeld(ctx, id, hold, "")
	if err != nil || n == 0 {
		return 0, err
	}
	seen := int(n)
	for _, k := range left {
		seen += k
	}
	return int(n), tx.AddDecision(ctx, id, store.Decision{Day: today, Hold: hold, Released: true, Messages: seen, By: by})
}

// decide runs a decision about held messages and notes who made it; f returns how many it
// was about. When there were any, a pass is asked for that makes what is due now.
func (d *Desk) decide(
	ctx context.Context, id coach.AccountID, by, what string, f func(tx *store.Tx, today civil.Date) (int, error),
) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		today := d.today(a)
		n, err := f(tx, today)
		if err != nil {
			return err
		}
		if err := tx.AddAudit(ctx, id, by, what, "account", fmt.Sprintf("%d messages", n)); err != nil || n == 0 {
			return err
		}
		if d.Replan == nil { // no jobs here: the running daemon finds that the pass is missing
			return tx.ForgetPass(ctx, id, today)
		}
		return d.Replan(ctx, tx, id)
	})
}
