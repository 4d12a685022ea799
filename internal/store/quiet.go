package store

import (
	"context"

	"sealmanac/internal/coach"
)

// mayLeave is the condition that a notice waits for nobody's decision and its account is
// not paused; mails to members, by which they sign in, and to the shop itself leave all
// the same.
const mayLeave = `(hold = '' AND (task_kind = 'access' OR task_key LIKE 'shop|%' OR account_id NOT IN (SELECT account_id FROM paused_account)))`

// SetQuiet pauses an account, or ends that: no reminder of a paused account leaves, and
// those that its passes make are held.
func (tx *Tx) SetQuiet(ctx context.Context, id coach.AccountID, quiet bool) (err error) {
	defer fail("store.SetQuiet", &err)
	if !quiet {
		_, err = tx.exec(ctx, `DELETE FROM paused_account WHERE account_id = ?`, id)
		return err
	}
	_, err = tx.exec(ctx, `INSERT INTO paused_account (account_id, since) VALUES (?, ?) ON CONFLICT (account_id) DO NOTHING`, id, micro(tx.now))
	return err
}

// Quiet reports whether an account is paused.
func (tx *Tx) Quiet(ctx context.Context, id coach.AccountID) (_ bool, err error) {
	defer fail("store.Quiet", &err)
	var n int
	err = tx.get(ctx, &n, `SELECT COUNT(*) FROM paused_account WHERE account_id = ?`, id)
	return n > 0, err
}
