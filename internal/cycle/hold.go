package cycle

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

// SaveStops stores a result's messages about dangers, in the transaction of the record
// that showed them, and returns those that may leave. Those of a paused account wait: the
// shop has the call.
func SaveStops(
	ctx context.Context, tx *store.Tx, id coach.AccountID, on civil.Date, res Result,
) (leaving []reminder.Notice, err error) {
	var stops []reminder.Notice
	for _, n := range res.Notices() {
		if n.Task == coach.SafetyStop {
			stops = append(stops, n)
		}
	}
	if len(stops) == 0 {
		return nil, nil
	}
	paused, err := tx.Quiet(ctx, id)
	if err != nil {
		return nil, err
	}
	return saveNotices(ctx, tx, on, stops, map[bool]string{true: reminder.HoldPaused}[paused])
}

// saveAll stores the messages of a pass and returns those that may leave. On an unusual
// day the ordinary ones wait for a decision, and while an account is paused all of them.
func saveAll(
	ctx context.Context, tx *store.Tx, id coach.AccountID, on civil.Date, ns []reminder.Notice,
) (leaving []reminder.Notice, err error) {
	paused, err := tx.Quiet(ctx, id)
	if err != nil {
		return nil, err
	}
	if paused {
		return saveNotices(ctx, tx, on, ns, reminder.HoldPaused)
	}
	var ordinary, other []reminder.Notice
	for _, n := range ns {
		if n.Ordinary() {
			ordinary = append(ordinary, n)
		} else {
			other = append(other, n)
		}
	}
	hold, err := unusual(ctx, tx, id, on, ordinary)
	if err != nil {
		return nil, err
	}
	if leaving, err = saveNotices(ctx, tx, on, other, ""); err != nil {
		return nil, err
	}
	more, err := saveNotices(ctx, tx, on, ordinary, hold)
	return append(leaving, more...), err
}

// unusual returns why a day's further ordinary messages wait, or "". A decision of the
// same day to send lets as many leave as it saw, and a tenth more for what came since.
func unusual(
	ctx context.Context, tx *store.Tx, id coach.AccountID, on civil.Date, ns []reminder.Notice,
) (string, error) {
	if len(ns) == 0 {
		return "", nil
	}
	to, err := tx.MessagesOn(ctx, id, on)
	if err != nil {
		return "", err
	}
	for _, n := range ns {
		to[n.Person]++
	}
	total, most := 0, 0
	for _, n := range to {
		total, most = total+n, max(most, n)
	}
	allowed, err := tx.AllowedOn(ctx, id, on)
	if err != nil {
		return "", err
	}
	if total <= allowed+allowed/10 {
		return "", nil
	}
	past, err := tx.SendingDays(ctx, id, on, reminder.UsualDays)
	if err != nil || !reminder.Unusual(total, most, past) {
		return "", err
	}
	return reminder.HoldUnusual, nil
}

// saveNotices stores notices under a hold and returns the new ones that may leave.
func saveNotices(
	ctx context.Context, tx *store.Tx, on civil.Date, ns []reminder.Notice, hold string,
) ([]reminder.Notice, error) {
	for i := range ns {
		ns[i].Hold = hold
	}
	added, err := tx.AddNotices(ctx, on, ns)
	if hold != "" {
		return nil, err
	}
	return added, err
}
