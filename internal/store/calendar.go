package store

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Calendar is a secret address of a calendar.
type Calendar struct {
	Account   string `db:"account_id"`
	Hash      string `db:"token_hash"`
	ID        string `db:"calendar_id"`
	Kind      string `db:"kind"` // shop, fleet, coach
	Coach     string `db:"coach_id"`
	Name      string `db:"name"`
	MadeBy    string `db:"created_by"`
	MadeAt    int64  `db:"created_at"`
	RevokedAt *int64 `db:"revoked_at"`
}

const calendarColumns = `account_id, token_hash, calendar_id, kind, coach_id, name, created_by, created_at, revoked_at`

// AddCalendar keeps a calendar's address.
func (tx *Tx) AddCalendar(ctx context.Context, c Calendar) (err error) {
	defer fail("store.AddCalendar", &err)
	_, err = tx.exec(ctx, `INSERT INTO calendar (account_id, token_hash, calendar_id, kind, coach_id, name, created_by, created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, c.Account, c.Hash, c.ID, c.Kind, c.Coach, c.Name, c.MadeBy, micro(tx.now))
	return err
}

// CalendarByHash returns a calendar whose address still works.
func (tx *Tx) CalendarByHash(ctx context.Context, hash string) (c Calendar, err error) {
	defer fail("store.CalendarByHash", &err)
	err = tx.get(ctx, &c,
		`SELECT `+calendarColumns+` FROM calendar WHERE token_hash = ? AND revoked_at IS NULL`, hash)
	return c, err
}

// Calendars returns an account's calendars that still work.
func (tx *Tx) Calendars(ctx context.Context, id coach.AccountID) (out []Calendar, err error) {
	defer fail("store.Calendars", &err)
	err = tx.list(ctx, &out, `SELECT `+calendarColumns+` FROM calendar WHERE account_id = ? AND revoked_at IS NULL ORDER BY created_at, calendar_id`, id)
	return out, err
}

// RevokeCalendar ends a calendar's address.
func (tx *Tx) RevokeCalendar(ctx context.Context, id coach.AccountID, calendar string) (_ bool, err error) {
	defer fail("store.RevokeCalendar", &err)
	n, err := tx.exec(ctx, `UPDATE calendar SET revoked_at = ? WHERE account_id = ? AND calendar_id = ? AND revoked_at IS NULL`, micro(tx.now), id, calendar)
	return n > 0, err
}

// RevokeCalendarsOf ends the addresses of calendars that a member made; it returns how
// many.
func (tx *Tx) RevokeCalendarsOf(ctx context.Context, id coach.AccountID, email string) (n int64, err error) {
	defer fail("store.RevokeCalendarsOf", &err)
	return tx.exec(ctx, `UPDATE calendar SET revoked_at = ? WHERE account_id = ? AND created_by = ? AND revoked_at IS NULL`, micro(tx.now), id, email)
}

// Entry is what calendars said last of a thing with a day.
type Entry struct {
	UID       string `db:"uid"`
	Coach     string `db:"coach_id"`
	Kind      string `db:"kind"` // task, visit
	Day       string `db:"day"`
	Until     string `db:"until_day"` // the last day
	Summary   string `db:"summary"`
	Words     string `db:"description"`
	Sequence  int64  `db:"sequence"`
	Cancelled int64  `db:"cancelled"`
	ChangedAt int64  `db:"changed_at"`
}

// Entries returns an account's calendar entries of a kind, or of one coach.
func (tx *Tx) Entries(ctx context.Context, id coach.AccountID, c coach.ID, kind string) (out []Entry, err error) {
	defer fail("store.Entries", &err)
	where, args := scope{id, c}.where()
	if kind != "" {
		where, args = where+" AND kind = ?", append(args, kind)
	}
	err = tx.list(ctx, &out, `SELECT uid, coach_id, kind, day, until_day, summary, description, sequence, cancelled, changed_at FROM calendar_entry WHERE `+where+` ORDER BY day, uid`, args...)
	return out, err
}

var entryColumns = []string{"account_id", "uid", "coach_id", "kind", "day", "until_day", "summary", "description",
	"sequence", "cancelled", "changed_at"}

// SaveEntries keeps what calendars say of things, each under the sequence that follows the
// one on record; 0 for a new one. It reports false when one of them has another by now:
// somebody else kept it meanwhile, and the transaction must be given up.
func (tx *Tx) SaveEntries(ctx context.Context, id coach.AccountID, es []Entry) (_ bool, err error) {
	defer fail("store.SaveEntries", &err)
	rows := make([][]any, len(es))
	for i, e := range es {
		rows[i] = []any{id, e.UID, e.Coach, e.Kind, e.Day, e.Until, e.Summary, e.Words,
			e.Sequence, e.Cancelled, e.ChangedAt}
	}
	n, err := tx.inserted(ctx, "calendar_entry", entryColumns, rows, `ON CONFLICT (account_id, uid) DO UPDATE SET day = excluded.day, until_day = excluded.until_day, summary = excluded.summary,
		description = excluded.description, sequence = excluded.sequence, cancelled = excluded.cancelled, changed_at = excluded.changed_at WHERE calendar_entry.sequence = excluded.sequence - 1`)
	return n == int64(len(es)), err
}

// DropEntries forgets entries that were cancelled, and visits that were over, before a day.
func (tx *Tx) DropEntries(ctx context.Context, id coach.AccountID, before civil.Date) (err error) {
	defer fail("store.DropEntries", &err)
	_, err = tx.exec(ctx, `DELETE FROM calendar_entry WHERE account_id = ? AND (cancelled = 1 AND changed_at < ? OR kind = 'visit' AND until_day < ?)`, id, micro(before.Time()), before.String())
	return err
}

// CoachLabels returns what coaches are called, by short name; of one coach when it is
// named.
func (tx *Tx) CoachLabels(ctx context.Context, id coach.AccountID, c coach.ID) (out map[string]string, err error) {
	defer fail("store.CoachLabels", &err)
	var rows []struct {
		Coach string `db:"coach_id"`
		Label string `db:"label"`
	}
	where, args := scope{id, c}.where()
	if err := tx.list(ctx, &rows, `SELECT coach_id, label FROM coach WHERE `+where, args...); err != nil {
		return nil, err
	}
	out = make(map[string]string, len(rows))
	for _, r := range rows {
		out[r.Coach] = r.Label
	}
	return out, nil
}
