package store

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
)

// Past returns, by coach, all messages made for an account, or for one coach of it. Nothing is forgotten:
// a rung that was told once is not told again.
func (tx *Tx) Past(
	ctx context.Context, id coach.AccountID, only coach.ID,
) (out map[coach.ID][]reminder.Past, err error) {
	defer fail("store.Past", &err)
	var rows []struct {
		Coach    string `db:"coach_id"`
		Person   string `db:"person"`
		Kind     string `db:"task_kind"`
		Covers   string `db:"covers"`
		TaskKey  string `db:"task_key"`
		MadeOn   string `db:"created_on"`
		Answered *int64 `db:"answered_at"`
	}
	// A withdrawn notice told nobody anything, and mails to the shop or about a lot are no
	// reminders of a task.
	where, args := scope{id, only}.where()
	err = tx.list(ctx, &rows, `
		SELECT coach_id, person, task_kind, covers, task_key, created_on, answered_at FROM notice
		WHERE `+where+` AND state <> 'withdrawn' AND task_key NOT LIKE 'shop|%' AND task_key NOT LIKE 'lot|%' ORDER BY coach_id, created_on, notice_key`, args...)
	if err != nil {
		return nil, err
	}
	out = map[coach.ID][]reminder.Past{}
	for _, r := range rows {
		p := reminder.Past{Person: r.Person, Task: coach.TaskKind(r.Kind), TaskKey: r.TaskKey, Answered: r.Answered != nil}
		if p.Day, err = civil.Parse(r.MadeOn); err != nil {
			return nil, err
		}
		if err := json.Unmarshal([]byte(r.Covers), &p.Covers); err != nil {
			return nil, err
		}
		out[coach.ID(r.Coach)] = append(out[coach.ID(r.Coach)], p)
	}
	return out, nil
}

// Answers returns, by coach, what people said about tasks; only: of one coach.
func (tx *Tx) Answers(
	ctx context.Context, id coach.AccountID, only coach.ID,
) (out map[coach.ID][]reminder.Answer, err error) {
	defer fail("store.Answers", &err)
	where, args := scope{id, only}.where()
	return tx.answers(ctx, where, args)
}

// AnswersOf returns, by coach, what people said about tasks of some coaches.
func (tx *Tx) AnswersOf(ctx context.Context, id coach.AccountID,
	cs []coach.ID) (out map[coach.ID][]reminder.Answer, err error) {
	defer fail("store.AnswersOf", &err)
	if len(cs) == 0 {
		return nil, nil
	}
	where, args := among(id, cs)
	return tx.answers(ctx, where, args)
}

func (tx *Tx) answers(ctx context.Context, where string, args []any) (out map[coach.ID][]reminder.Answer, err error) {
	var rows []struct {
		Coach   string `db:"coach_id"`
		TaskKey string `db:"task_key"`
		Kind    string `db:"kind"`
		Day     string `db:"day"`
		Until   string `db:"until_day"`
	}
	err = tx.list(ctx, &rows, `SELECT coach_id, task_key, kind, day, until_day FROM answer WHERE `+where+` ORDER BY coach_id, changed_at, task_key, kind, person`, args...)
	if err != nil {
		return nil, err
	}
	out = map[coach.ID][]reminder.Answer{}
	for _, r := range rows {
		a := reminder.Answer{TaskKey: r.TaskKey, Kind: reminder.AnswerKind(r.Kind)}
		if err := a.Day.UnmarshalText([]byte(r.Day)); err != nil {
			return nil, err
		}
		if err := a.Until.UnmarshalText([]byte(r.Until)); err != nil {
			return nil, err
		}
		out[coach.ID(r.Coach)] = append(out[coach.ID(r.Coach)], a)
	}
	return out, nil
}

// AddAnswer records what a person said about a task and marks their messages
// about it as answered. Saying it again replaces the earlier words.
func (tx *Tx) AddAnswer(
	ctx context.Context, id coach.AccountID, c coach.ID, person string, a reminder.Answer,
) (err error) {
	defer fail("store.AddAnswer", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO answer (account_id, coach_id, task_key, kind, person, day, until_day, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, task_key, kind, person) DO UPDATE SET day = excluded.day, until_day = excluded.until_day, changed_at = excluded.changed_at`,
		id, c, a.TaskKey, a.Kind, person, a.Day.String(), a.Until.String(), micro(tx.now))
	if err != nil {
		return err
	}
	_, err = tx.exec(ctx, `UPDATE notice SET answered_at = ? WHERE account_id = ? AND coach_id = ? AND task_key = ? AND answered_at IS NULL`, micro(tx.now), id, c, a.TaskKey)
	return err
}

// HasAnswer reports whether a kind of answer about a task is on record.
func (tx *Tx) HasAnswer(
	ctx context.Context, id coach.AccountID, c coach.ID, taskKey string, k reminder.AnswerKind,
) (_ bool, err error) {
	defer fail("store.HasAnswer", &err)
	var n int
	err = tx.get(ctx, &n, `SELECT COUNT(*) FROM answer WHERE account_id = ? AND coach_id = ? AND task_key = ? AND kind = ?`, id, c, taskKey, k)
	return n > 0, err
}

// SaidBefore reports whether a person's answer about a task is on record as it stands:
// of the same kind, until the same day.
func (tx *Tx) SaidBefore(
	ctx context.Context, id coach.AccountID, c coach.ID, person string, a reminder.Answer,
) (_ bool, err error) {
	defer fail("store.SaidBefore", &err)
	var n int
	err = tx.get(ctx, &n, `
		SELECT COUNT(*) FROM answer
		WHERE account_id = ? AND coach_id = ? AND task_key = ? AND kind = ? AND person = ? AND until_day = ?`,
		id, c, a.TaskKey, a.Kind, person, a.Until.String())
	return n > 0, err
}

// OptOut records that a person wants no more reminders.
func (tx *Tx) OptOut(ctx context.Context, id coach.AccountID, person string) (err error) {
	defer fail("store.OptOut", &err)
	_, err = tx.exec(ctx, `INSERT INTO opt_out (account_id, person, created_at) VALUES (?, ?, ?) ON CONFLICT (account_id, person) DO NOTHING`, id, person, micro(tx.now))
	return err
}

// OptIn takes an OptOut back.
func (tx *Tx) OptIn(ctx context.Context, id coach.AccountID, person string) (err error) {
	defer fail("store.OptIn", &err)
	_, err = tx.exec(ctx, `DELETE FROM opt_out WHERE account_id = ? AND person = ?`, id, person)
	return err
}

// MarkBad records that an address does not work, with the server's words.
func (tx *Tx) MarkBad(ctx context.Context, id coach.AccountID, person, words string) (err error) {
	defer fail("store.MarkBad", &err)
	_, err = tx.exec(ctx, `INSERT INTO bad_address (account_id, person, reply, changed_at) VALUES (?, ?, ?, ?)
		ON CONFLICT (account_id, person) DO UPDATE SET reply = excluded.reply, changed_at = excluded.changed_at`, id, person, words, micro(tx.now))
	return err
}

// MarkGood takes a MarkBad back; it reports whether there was one.
func (tx *Tx) MarkGood(ctx context.Context, id coach.AccountID, person string) (_ bool, err error) {
	defer fail("store.MarkGood", &err)
	n, err := tx.exec(ctx, `DELETE FROM bad_address WHERE account_id = ? AND person = ?`, id, person)
	return n > 0, err
}

// BadAddresses returns the addresses that do not work, with the server's words.
func (tx *Tx) BadAddresses(ctx context.Context, id coach.AccountID) (out map[string]string, err error) {
	defer fail("store.BadAddresses", &err)
	var rows []struct {
		Person string `db:"person"`
		Words  string `db:"reply"`
	}
	err = tx.list(ctx, &rows, `SELECT person, reply FROM bad_address WHERE account_id = ? ORDER BY person`, id)
	out = map[string]string{}
	for _, r := range rows {
		out[r.Person] = r.Words
	}
	return out, err
}

// OptOuts returns who wants no reminders.
func (tx *Tx) OptOuts(ctx context.Context, id coach.AccountID) (out map[string]bool, err error) {
	defer fail("store.OptOuts", &err)
	var people []string
	err = tx.list(ctx, &people, `SELECT person FROM opt_out WHERE account_id = ? ORDER BY person`, id)
	out = map[string]bool{}
	for _, p := range people {
		out[p] = true
	}
	return out, err
}

// SaveOutcome replaces what the last pass found for a coach, and under which
// version of the rulebook. All of it follows from the record and the day, so nothing of an
// earlier pass is worth keeping.
func (tx *Tx) SaveOutcome(
	ctx context.Context, id coach.AccountID, c coach.ID, on civil.Date, rulebook string, fs []projection.Forecast,
	ts []plan.Task, ss []reminder.Suppressed,
) (err error) {
	defer fail("store.SaveOutcome", &err)
	for _, table := range []string{"forecast", "task", "suppressed"} {
		if _, err := tx.exec(ctx, `DELETE FROM `+table+` WHERE account_id = ? AND coach_id = ?`, id, c); err != nil {
			return err
		}
	}
	for i := range fs {
		f := &fs[i]
		_, err := tx.exec(ctx, `
			INSERT INTO forecast (account_id, coach_id, run, part, on_day, life_used, governing, early, likely, late, undated_why, rulebook)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			id, c, f.Run, f.Part, on.String(), f.LifeUsed, f.Governing, f.Early.String(), f.Likely.String(), f.Late.String(),
			f.Hold.String(), rulebook)
		if err != nil {
			return err
		}
	}
	for i := range ts {
		t := &ts[i]
		_, err := tx.exec(ctx, `
			INSERT INTO task (account_id, coach_id, task_key, kind, run, earliest, target, latest, why) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			id, c, t.Key(), t.Kind, t.Run, t.Earliest.String(), t.Target.String(), t.Latest.String(), t.Why.String())
		if err != nil {
			return err
		}
	}
	for _, s := range ss {
		_, err := tx.exec(ctx, `INSERT INTO suppressed (account_id, coach_id, person, task_key, reason) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`, id, s.Coach, s.Person, s.TaskKey, s.Reason)
		if err != nil {
			return err
		}
	}
	return nil
}

// SavePass records that a pass over an account was made on a day.
func (tx *Tx) SavePass(
	ctx context.Context, id coach.AccountID, on civil.Date, rulebook string, coaches, notices int,
) (err error) {
	defer fail("store.SavePass", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO pass (account_id, day, rulebook, coaches, notices, changed_at) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, day) DO UPDATE SET rulebook = excluded.rulebook, coaches = excluded.coaches,
			notices = pass.notices + excluded.notices, changed_at = excluded.changed_at`,
		id, on.String(), rulebook, coaches, notices, micro(tx.now))
	return err
}

// PassRow is one pass as recorded.
type PassRow struct {
	Account  string `db:"account_id"`
	Day      string `db:"day"`
	Rulebook string `db:"rulebook"`
	Coaches  int    `db:"coaches"`
	Notices  int    `db:"notices"`
}

// lastPasses starts from the accounts and looks up the last day of each: passes are kept
// for years.
const lastPasses = `SELECT p.account_id, p.day, p.rulebook, p.coaches, p.notices
	FROM account a JOIN pass p ON p.account_id = a.account_id AND p.day = (SELECT MAX(day) FROM pass q WHERE q.account_id = a.account_id)
	ORDER BY a.account_id`

// Passes returns the last pass of each account.
func (tx *Tx) Passes(ctx context.Context) (out []PassRow, err error) {
	defer fail("store.Passes", &err)
	err = tx.list(ctx, &out, lastPasses)
	return out, err
}

const lastPass = `SELECT account_id, day, rulebook, coaches, notices FROM pass WHERE account_id = ? ORDER BY day DESC LIMIT 1`

// LastPass returns the last pass of one account; nil: there was none.
func (tx *Tx) LastPass(ctx context.Context, id coach.AccountID) (p *PassRow, err error) {
	defer fail("store.LastPass", &err)
	var rows []PassRow
	if err := tx.list(ctx, &rows, lastPass, id); err != nil || len(rows) == 0 {
		return nil, err
	}
	return &rows[0], nil
}

// LinkKey returns the key that signs links, 32 random bytes made on first use.
func (tx *Tx) LinkKey(ctx context.Context) (key []byte, err error) {
	defer fail("store.LinkKey", &err)
	// Of two processes that start at once, one stores its key, and both read that one.
	fresh := make([]byte, 32)
	if _, err := rand.Read(fresh); err != nil {
		return nil, err
	}
	if _, err := tx.exec(ctx, `INSERT INTO secret (name, value) VALUES ('links', ?) ON CONFLICT (name) DO NOTHING`, hex.EncodeToString(fresh)); err != nil {
		return nil, err
	}
	var value string
	if err := tx.get(ctx, &value, `SELECT value FROM secret WHERE name = 'links'`); err != nil {
		return nil, err
	}
	return hex.DecodeString(value)
}
