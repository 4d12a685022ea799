package store

import (
	"context"
	"encoding/json"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// ordinary is the condition that a notice counts towards an unusual day, as
// reminder.Notice.Ordinary says it; mails to members and to the shop are none of a pass's.
const ordinary = `task_kind NOT IN ('safety_stop', 'booked_visit', 'access') AND task_key NOT LIKE 'lot|%' AND task_key NOT LIKE 'shop|%'`

// MessagesOn returns how many ordinary messages of a day left or may leave, by person.
func (tx *Tx) MessagesOn(ctx context.Context, id coach.AccountID, on civil.Date) (out map[string]int, err error) {
	defer fail("store.MessagesOn", &err)
	var rows []struct {
		Person string `db:"person"`
		N      int    `db:"n"`
	}
	err = tx.list(ctx, &rows, `SELECT person, COUNT(*) AS n FROM notice WHERE account_id = ? AND created_on = ? AND hold = '' AND state <> 'withdrawn'
		AND `+ordinary+` GROUP BY person`, id, on.String())
	out = map[string]int{}
	for _, r := range rows {
		out[r.Person] = r.N
	}
	return out, err
}

// SendingDays returns how many ordinary messages each of the last days before a day sent,
// the latest first; days without any are no sending days.
func (tx *Tx) SendingDays(ctx context.Context, id coach.AccountID, before civil.Date, most int) (out []int, err error) {
	defer fail("store.SendingDays", &err)
	err = tx.list(ctx, &out, `SELECT COUNT(*) FROM notice WHERE account_id = ? AND created_on < ? AND hold = '' AND state <> 'withdrawn'
		AND `+ordinary+` GROUP BY created_on ORDER BY created_on DESC LIMIT ?`, id, before.String(), most)
	return out, err
}

// Held is what waits for one decision.
type Held struct {
	Hold     string      `json:"hold"` // "paused" or "unusual"
	Since    string      `json:"since"`
	Messages int         `json:"messages"`
	People   int         `json:"people"`
	Most     int         `json:"most"`    // messages to one person
	ToOne    string      `json:"to"`      // that person
	Batches  []HeldBatch `json:"imports"` // what of it comes from which import
}

// HeldBatch is what waits because of the coaches of one import.
type HeldBatch struct {
	Batch    string `db:"batch" json:"import"`
	Coaches  int    `db:"coaches" json:"coaches"`
	Messages int    `db:"messages" json:"messages"`
}

const heldOpen = `n.account_id = ? AND n.hold = ? AND n.state IN ('queued', 'retry')`

// Held returns what waits for a decision, by hold.
func (tx *Tx) Held(ctx context.Context, id coach.AccountID) (out []Held, err error) {
	defer fail("store.Held", &err)
	for _, hold := range []string{"paused", "unusual"} {
		var rows []struct {
			Person string `db:"person"`
			N      int    `db:"n"`
			Since  string `db:"since"`
		}
		err := tx.list(ctx, &rows, `SELECT person, COUNT(*) AS n, MIN(created_on) AS since FROM notice n WHERE `+heldOpen+`
			GROUP BY person ORDER BY n DESC, person`, id, hold)
		if err != nil {
			return nil, err
		}
		if len(rows) == 0 {
			continue
		}
		h := Held{Hold: hold, Since: rows[0].Since, People: len(rows), Most: rows[0].N, ToOne: rows[0].Person}
		for _, r := range rows {
			h.Messages, h.Since = h.Messages+r.N, min(h.Since, r.Since)
		}
		err = tx.list(ctx, &h.Batches, `SELECT c.batch, COUNT(DISTINCT n.coach_id) AS coaches, COUNT(*) AS messages
			FROM notice n JOIN coach c ON c.account_id = n.account_id AND c.coach_id = n.coach_id
			WHERE `+heldOpen+` AND c.batch <> '' GROUP BY c.batch ORDER BY c.batch`, id, hold)
		if err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	return out, nil
}

// HeldNotices returns the messages under a hold, of one import only if batch is not "".
func (tx *Tx) HeldNotices(
	ctx context.Context, id coach.AccountID, hold, batch string, most int,
) (out []NoticeRow, err error) {
	defer fail("store.HeldNotices", &err)
	q := `SELECT ` + noticeColumns + ` FROM notice n WHERE ` + heldOpen
	args := []any{id, hold}
	if batch != "" {
		q += ` AND coach_id IN (SELECT coach_id FROM coach WHERE account_id = ? AND batch = ?)`
		args = append(args, id, batch)
	}
	err = tx.list(ctx, &out, q+` ORDER BY person, coach_id, notice_key LIMIT ?`, append(args, most)...)
	return out, err
}

// CoverKeys returns the rungs that a stored notice names.
func (r NoticeRow) CoverKeys() (out []string, err error) {
	err = json.Unmarshal([]byte(r.Covers), &out)
	return out, err
}

// WithdrawHeld withdraws the messages under a hold, of one import only if batch is not "",
// and returns how many.
func (tx *Tx) WithdrawHeld(ctx context.Context, id coach.AccountID, hold, batch string) (n int64, err error) {
	defer fail("store.WithdrawHeld", &err)
	q := `UPDATE notice SET state = 'withdrawn', hold = '', finished_at = ? WHERE account_id = ? AND hold = ? AND state IN ('queued', 'retry')`
	args := []any{micro(tx.now), id, hold}
	if batch != "" {
		q += ` AND coach_id IN (SELECT coach_id FROM coach WHERE account_id = ? AND batch = ?)`
		args = append(args, id, batch)
	}
	return tx.exec(ctx, q, args...)
}

// Decision is what a person decided about held messages.
type Decision struct {
	Day      civil.Date
	Hold     string
	Released bool // false: withdrawn
	Messages int  // of the day, with those that had left
	Batch    string
	By       string
}

// AddDecision records a decision.
func (tx *Tx) AddDecision(ctx context.Context, id coach.AccountID, d Decision) (err error) {
	defer fail("store.AddDecision", &err)
	word := "withdrawn"
	if d.Released {
		word = "released"
	}
	_, err = tx.exec(ctx, `INSERT INTO hold_decision (account_id, created_at, day, hold, decision, messages, batch, decided_by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (account_id, created_at, hold) DO NOTHING`,
		id, micro(tx.now), d.Day.String(), d.Hold, word, d.Messages, d.Batch, d.By)
	return err
}

// AllowedOn returns how many messages a decision of a day lets leave on it; 0: there was
// none.
func (tx *Tx) AllowedOn(ctx context.Context, id coach.AccountID, on civil.Date) (n int, err error) {
	defer fail("store.AllowedOn", &err)
	err = tx.get(ctx, &n, `SELECT COALESCE(MAX(messages), 0) FROM hold_decision
		WHERE account_id = ? AND day = ? AND decision = 'released'`, id, on.String())
	return n, err
}

// MarkBatch notes which import stored some coaches last.
func (tx *Tx) MarkBatch(ctx context.Context, id coach.AccountID, batch string, cs []coach.ID) (err error) {
	defer fail("store.MarkBatch", &err)
	for from := 0; from < len(cs); from += 500 {
		where, args := among(id, cs[from:min(from+500, len(cs))])
		if _, err := tx.exec(ctx, `UPDATE coach SET batch = ? WHERE `+where, append([]any{batch}, args...)...); err != nil {
			return err
		}
	}
	return nil
}

// ForgetPass lets the pass of a day be made again, by whoever looks for missed ones.
func (tx *Tx) ForgetPass(ctx context.Context, id coach.AccountID, on civil.Date) (err error) {
	defer fail("store.ForgetPass", &err)
	_, err = tx.exec(ctx, `DELETE FROM pass WHERE account_id = ? AND day = ?`, id, on.String())
	return err
}
