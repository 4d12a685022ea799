package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jmoiron/sqlx"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
)

// AddNotices stores the notices of a pass that are not there yet, or that were
// withdrawn before they left, and returns those that will be sent. Planning twice
// never sends twice: a notice's key names its occasion, and one that was sent, or is on
// its way, is left alone by the WHERE of the statement.
func (tx *Tx) AddNotices(
	ctx context.Context, on civil.Date, ns []reminder.Notice,
) (added []reminder.Notice, err error) {
	defer fail("store.AddNotices", &err)
	for _, n := range ns {
		covers, err := json.Marshal(n.Covers)
		if err != nil {
			return nil, err
		}
		k, err := tx.exec(ctx, `
			INSERT INTO notice (account_id, notice_key, coach_id, person, person_name, task_kind, task_key, run, rung, target, why, covers,
				created_on, not_before, message_id, link_id, from_name, reply_to, stop_link, subject, body_text, body_html, language, hold, state, tries, reply)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'queued', 0, '')
			ON CONFLICT (account_id, notice_key) DO UPDATE SET state = 'queued', created_on = excluded.created_on, not_before = excluded.not_before, target = excluded.target,
				why = excluded.why, covers = excluded.covers, stop_link = excluded.stop_link, person_name = excluded.person_name, from_name = excluded.from_name, reply_to = excluded.reply_to, subject = excluded.subject, body_text = excluded.body_text,
				body_html = excluded.body_html, language = excluded.language, hold = excluded.hold, reply = '', finished_at = NULL, answered_at = NULL, recalled_at = NULL
				WHERE notice.state = 'withdrawn'`,
			n.Account, n.Key, n.Coach, n.Person, n.PersonName, n.Task, n.TaskKey, n.Run, n.Rung, n.Target.String(), n.Why,
			string(covers),
			on.String(), micro(n.NotBefore), n.MessageID, n.LinkID, n.From, n.ReplyTo, n.StopLink, n.Subject, n.Text, n.HTML,
			n.Language, n.Hold)
		if err != nil {
			return nil, err
		}
		if k == 1 {
			added = append(added, n)
		}
	}
	return added, nil
}

// NoticeRow is a notice as stored.
type NoticeRow struct {
	Account    string `db:"account_id"`
	Key        string `db:"notice_key"`
	Coach      string `db:"coach_id"`
	Person     string `db:"person"`
	PersonName string `db:"person_name"`
	Task       string `db:"task_kind"`
	TaskKey    string `db:"task_key"`
	Run        string `db:"run"`
	Rung       int    `db:"rung"`
	Target     string `db:"target"`
	Why        string `db:"why"`
	Covers     string `db:"covers"`
	MadeOn     string `db:"created_on"`
	NotBefore  int64  `db:"not_before"`
	MessageID  string `db:"message_id"`
	LinkID     string `db:"link_id"`
	From       string `db:"from_name"`
	ReplyTo    string `db:"reply_to"`
	StopLink   string `db:"stop_link"`
	Subject    string `db:"subject"`
	Text       string `db:"body_text"`
	HTML       string `db:"body_html"`
	Language   string `db:"language"`
	State      string `db:"state"`
	Tries      int    `db:"tries"`
	LeaseEnd   *int64 `db:"lease_end"`
	Reply      string `db:"reply"`
	SettledAt  *int64 `db:"finished_at"`
	AnsweredAt *int64 `db:"answered_at"`
	Hold       string `db:"hold"`
}

const noticeColumns = `account_id, notice_key, coach_id, person, person_name, task_kind, task_key, run, rung, target, why, covers, created_on, not_before,
	message_id, link_id, from_name, reply_to, stop_link, subject, body_text, body_html, language, state, tries, lease_end, reply, finished_at, answered_at, hold`

// Notice returns the row as the notice it stores.
func (r NoticeRow) Notice() (n reminder.Notice, err error) {
	target, err := civil.Parse(r.Target)
	if err != nil {
		return n, err
	}
	n = reminder.Notice{
		Key: r.Key, Account: coach.AccountID(r.Account), Coach: coach.ID(r.Coach), Person: r.Person, PersonName: r.PersonName,
		Task: coach.TaskKind(r.Task), TaskKey: r.TaskKey, Run: r.Run, Rung: r.Rung, Target: target, Why: r.Why,
		NotBefore: fromMicro(r.NotBefore),
		From:      r.From, ReplyTo: r.ReplyTo, Subject: r.Subject, Text: r.Text, HTML: r.HTML, Language: r.Language,
		StopLink: r.StopLink, MessageID: r.MessageID, LinkID: r.LinkID, Try: r.Tries, Hold: r.Hold,
	}
	return n, json.Unmarshal([]byte(r.Covers), &n.Covers)
}

const newestNotices = `SELECT ` + noticeColumns + ` FROM notice
	WHERE account_id = ? AND task_kind <> 'access' ORDER BY created_on DESC, notice_key LIMIT ?`

// Notices returns an account's newest notices, newest first.
func (tx *Tx) Notices(ctx context.Context, id coach.AccountID, most int) (out []NoticeRow, err error) {
	defer fail("store.Notices", &err)
	err = tx.list(ctx, &out, newestNotices, id, most)
	return out, err
}

// NoticeByKey returns one notice of an account.
func (tx *Tx) NoticeByKey(ctx context.Context, id coach.AccountID, key string) (r NoticeRow, err error) {
	defer fail("store.NoticeByKey", &err)
	err = tx.get(ctx, &r, `SELECT `+noticeColumns+` FROM notice WHERE account_id = ? AND notice_key = ?`,
		id, key)
	return r, err
}

// foundNotices has three ways to name a notice, each with its index. Short numbers are
// hexadecimal, so those with a beginning lie between it and it followed by a g.
const foundNotices = `SELECT ` + noticeColumns + ` FROM notice
	WHERE account_id = ? AND task_kind <> 'access' AND (notice_key = ? OR message_id = ? OR link_id >= ? AND link_id < ?) ORDER BY notice_key LIMIT 3`

// FindNotices returns the notices that a word names: by key, by Message-ID, or by
// the beginning of the short number, of at least six digits. At most three.
func (tx *Tx) FindNotices(ctx context.Context, id coach.AccountID, word string) (out []NoticeRow, err error) {
	defer fail("store.FindNotices", &err)
	from, until := "", "" // nothing lies between
	if len(word) >= 6 && strings.Trim(word, "0123456789abcdef") == "" {
		from, until = word, word+"g"
	}
	err = tx.list(ctx, &out, foundNotices, id, word, word, from, until)
	return out, err
}

const madeToday = `SELECT COUNT(*) FROM notice WHERE account_id = ? AND task_key = ? AND created_on = ?`

// MadeToday returns how many notices with a task key were made on a day.
func (tx *Tx) MadeToday(ctx context.Context, id coach.AccountID, taskKey string, on civil.Date) (n int, err error) {
	defer fail("store.MadeToday", &err)
	err = tx.get(ctx, &n, madeToday, id, taskKey, on.String())
	return n, err
}

// NoticeByLink returns the notice that a signed link speaks of.
func (tx *Tx) NoticeByLink(ctx context.Context, linkID string) (r NoticeRow, err error) {
	defer fail("store.NoticeByLink", &err)
	err = tx.get(ctx, &r, `SELECT `+noticeColumns+` FROM notice WHERE link_id = ?`, linkID)
	return r, err
}

// Claim leases a notice that waits, or whose lease has run out, to the caller.
// ok is false when somebody else has it, when its outcome is recorded, or when it is not
// due yet. The row is checked and changed in one statement: of two that claim it at once,
// the second waits for the first, checks again, and finds it claimed.
func (tx *Tx) Claim(
	ctx context.Context, id coach.AccountID, key string, lease time.Duration,
) (n reminder.Notice, ok bool, err error) {
	defer fail("store.Claim", &err)
	now := micro(tx.now)
	var rows []NoticeRow
	err = tx.list(ctx, &rows, `
		UPDATE notice SET state = 'sending', lease_end = ?, tries = tries + 1
		WHERE account_id = ? AND notice_key = ? AND not_before <= ? AND recalled_at IS NULL AND `+mayLeave+`
			AND (state IN ('queued', 'retry') OR (state = 'sending' AND lease_end <= ?))
		RETURNING `+noticeColumns, micro(tx.now.Add(lease)), id, key, now, now)
	if err != nil || len(rows) == 0 {
		return n, false, err
	}
	n, err = rows[0].Notice()
	return n, err == nil, err
}

// Extend keeps a notice that is being sent with its worker for another lease.
// The try is its fence: a worker that was taken over from keeps nothing.
func (tx *Tx) Extend(ctx context.Context, id coach.AccountID, key string, try int, lease time.Duration) (err error) {
	defer fail("store.Extend", &err)
	_, err = tx.exec(ctx, `UPDATE notice SET lease_end = ? WHERE account_id = ? AND notice_key = ? AND state = 'sending' AND tries = ?`, micro(tx.now.Add(lease)), id, key, try)
	return err
}

// Waiting returns open notices that have been due for longer than grace, but for those of
// quiet accounts.
func (tx *Tx) Waiting(ctx context.Context, grace time.Duration, most int) (out []NoticeRow, err error) {
	defer fail("store.Waiting", &err)
	err = tx.list(ctx, &out, `SELECT `+noticeColumns+` FROM notice WHERE state IN ('queued', 'retry') AND not_before < ? AND recalled_at IS NULL AND `+mayLeave+` ORDER BY not_before, notice_key LIMIT ?`, micro(tx.now.Add(-grace)), most)
	return out, err
}

// Orphans returns notices that are being sent by nobody: their lease ran out.
func (tx *Tx) Orphans(ctx context.Context, most int) (out []NoticeRow, err error) {
	defer fail("store.Orphans", &err)
	err = tx.list(ctx, &out, `SELECT `+noticeColumns+` FROM notice WHERE state = 'sending' AND lease_end < ? AND recalled_at IS NULL AND `+mayLeave+` ORDER BY lease_end, notice_key LIMIT ?`, micro(tx.now), most)
	return out, err
}

// Settle records how a try ended, with the server's words. The number of the try is
// the fence: the UPDATE itself checks it, so a worker that was taken over from settles
// nothing, and its call fails with reminder.ErrSettled, as does a second call. A notice
// that is to be tried again is not due before wait has gone; one that was recalled
// meanwhile is withdrawn instead.
func (tx *Tx) Settle(
	ctx context.Context, id coach.AccountID, key string, try int, s reminder.State, reply string, wait time.Duration,
) (err error) {
	defer fail("store.Settle", &err)
	set, args := `state = ?, finished_at = ?`, []any{s, nil}
	switch s {
	case reminder.Retry:
		set = `state = CASE WHEN recalled_at IS NULL THEN 'retry' ELSE 'withdrawn' END, not_before = ?`
		args = []any{micro(tx.now.Add(wait))}
	case reminder.Accepted, reminder.GivenUp:
		args[1] = micro(tx.now)
	}
	k, err := tx.exec(ctx, `
		UPDATE notice SET `+set+`, reply = ?, lease_end = NULL
		WHERE account_id = ? AND notice_key = ? AND state = 'sending' AND tries = ?`, append(args, reply, id, key, try)...)
	if err == nil && k != 1 {
		msg := fmt.Sprintf("notice %s is not being sent", key)
		return &fault.Error{Kind: fault.Conflict, Msg: msg, Err: reminder.ErrSettled}
	}
	return err
}

// Withdraw takes back the open notices to a person, or about a task when
// taskKey is given, and returns how many. Notices about a lot stay unless their
// own key is given. One that is being sent at this moment
// is recalled: it is not tried again.
func (tx *Tx) Withdraw(ctx context.Context, id coach.AccountID, person, taskKey string) (n int64, err error) {
	defer fail("store.Withdraw", &err)
	which, args := withdrawable(person, taskKey)
	return tx.withdraw(ctx, id, which, args)
}

// withdraw takes back the notices of an account that a condition chooses, and recalls those
// that are being sent. One statement does both: a worker that claims a notice between two
// would keep it.
func (tx *Tx) withdraw(ctx context.Context, id coach.AccountID, which string, args []any) (n int64, err error) {
	var states []string
	err = tx.list(ctx, &states, withdrawNotices+which+` RETURNING state`,
		append([]any{micro(tx.now), micro(tx.now), id}, args...)...)
	for _, s := range states {
		if s == string(reminder.Withdrawn) {
			n++
		}
	}
	return n, err
}

const withdrawNotices = `
	UPDATE notice SET state = CASE WHEN state = 'sending' THEN state ELSE 'withdrawn' END,
		finished_at = CASE WHEN state = 'sending' THEN finished_at ELSE ? END,
		recalled_at = CASE WHEN state = 'sending' THEN ? ELSE recalled_at END
	WHERE account_id = ? AND state IN ('queued', 'retry', 'sending')`

// withdrawable is the condition that a notice is of a person and about a task, each when
// it is given. One statement for all of it would serve no index.
func withdrawable(person, taskKey string) (where string, args []any) {
	if taskKey == "" {
		where = ` AND task_key NOT LIKE 'lot|%'`
	} else {
		where, args = ` AND task_key = ?`, append(args, taskKey)
	}
	if person != "" {
		where, args = where+` AND person = ?`, append(args, person)
	}
	return where, args
}

// WithdrawCoach takes back the open reminders about a coach; notices about a lot
// stay.
func (tx *Tx) WithdrawCoach(ctx context.Context, id coach.AccountID, c coach.ID) (n int64, err error) {
	defer fail("store.WithdrawCoach", &err)
	const ours = ` AND coach_id = ? AND task_key NOT LIKE 'lot|%' AND task_key NOT LIKE 'shop|%'`
	return tx.withdraw(ctx, id, ours, []any{c})
}

// Release lets one open notice go now that waits for a later try, and opens one
// again that was given up or withdrawn; ok is false when it is being sent, was
// accepted, or is not there.
func (tx *Tx) Release(ctx context.Context, id coach.AccountID, key string) (n reminder.Notice, ok bool, err error) {
	defer fail("store.Release", &err)
	var rows []NoticeRow
	err = tx.list(ctx, &rows, `
		UPDATE notice SET state = 'queued', hold = '', not_before = ?, recalled_at = NULL, finished_at = NULL
		WHERE account_id = ? AND notice_key = ? AND state IN ('queued', 'retry', 'given_up', 'withdrawn')
		RETURNING `+noticeColumns, micro(tx.now), id, key)
	if err != nil || len(rows) == 0 {
		return n, false, err
	}
	n, err = rows[0].Notice()
	return n, err == nil, err
}

// Hurry lets an open notice that is not due yet leave at an instant, or at its own time if
// that comes first; ok is false when it is being sent, has left, or was withdrawn.
func (tx *Tx) Hurry(
	ctx context.Context, id coach.AccountID, key string, at time.Time,
) (n reminder.Notice, ok bool, err error) {
	defer fail("store.Hurry", &err)
	var rows []NoticeRow
	err = tx.list(ctx, &rows, `
		UPDATE notice SET not_before = CASE WHEN not_before < ? THEN not_before ELSE ? END
		WHERE account_id = ? AND notice_key = ? AND state = 'queued' RETURNING `+noticeColumns, micro(at), micro(at), id, key)
	if err != nil || len(rows) == 0 {
		return n, false, err
	}
	n, err = rows[0].Notice()
	return n, err == nil, err
}

// WithdrawOne takes back one open notice; one that is being sent is not tried
// again. It reports whether there was one.
func (tx *Tx) WithdrawOne(ctx context.Context, id coach.AccountID, key string) (ok bool, err error) {
	defer fail("store.WithdrawOne", &err)
	n, err := tx.exec(ctx, `UPDATE notice SET state = 'withdrawn', finished_at = ? WHERE account_id = ? AND notice_key = ? AND state IN ('queued', 'retry')`, micro(tx.now), id, key)
	if err != nil || n > 0 { // else its worker is told, which alone knows whether it left
		return n > 0, err
	}
	n, err = tx.exec(ctx, `UPDATE notice SET recalled_at = ? WHERE account_id = ? AND notice_key = ? AND state = 'sending'`, micro(tx.now), id, key)
	return n > 0, err
}

// NoticesIn returns an account's notices in some states, those due first on top, after
// an instant and key (0, "": from the first).
func (tx *Tx) NoticesIn(
	ctx context.Context, id coach.AccountID, states []reminder.State, at int64, after string, most int,
) (out []NoticeRow, err error) {
	defer fail("store.NoticesIn", &err)
	q, args, err := sqlx.In(`SELECT `+noticeColumns+` FROM notice WHERE account_id = ? AND task_kind <> 'access' AND state IN (?) AND (not_before, notice_key) > (?, ?) ORDER BY not_before, notice_key LIMIT ?`, id, states, at, after, most)
	if err != nil {
		return nil, err
	}
	err = tx.list(ctx, &out, q, args...)
	return out, err
}

// SuppressedRow is a task that the last pass told a person nothing about, and why.
type SuppressedRow struct {
	Coach   string `db:"coach_id" json:"coach"`
	Person  string `db:"person" json:"person"`
	TaskKey string `db:"task_key" json:"task"`
	Reason  string `db:"reason" json:"reason"`
}

// Suppressed returns what the last pass kept back.
func (tx *Tx) Suppressed(ctx context.Context, id coach.AccountID) (out []SuppressedRow, err error) {
	defer fail("store.Suppressed", &err)
	err = tx.list(ctx, &out, `SELECT coach_id, person, task_key, reason FROM suppressed WHERE account_id = ? ORDER BY reason, coach_id, person, task_key`, id)
	return out, err
}

// Counts returns how many notices of all accounts stand in each state, and the
// oldest time that an open one was due; zero when none is open that may leave.
func (tx *Tx) Counts(ctx context.Context) (out map[reminder.State]int, oldest time.Time, err error) {
	defer fail("store.Counts", &err)
	var rows []struct {
		State string `db:"state"`
		N     int    `db:"n"`
		First *int64 `db:"first_due"` // nil: those of quiet accounts only
	}
	err = tx.list(ctx, &rows, `SELECT state, COUNT(*) AS n, MIN(CASE WHEN `+mayLeave+` THEN not_before END) AS first_due FROM notice GROUP BY state ORDER BY state`)
	out = map[reminder.State]int{}
	for _, r := range rows {
		out[reminder.State(r.State)] = r.N
		open := r.State == string(reminder.Queued) || r.State == string(reminder.Retry) || r.State == string(reminder.Sending)
		if r.First == nil {
			continue
		}
		if t := fromMicro(*r.First); open && (oldest.IsZero() || t.Before(oldest)) {
			oldest = t
		}
	}
	return out, oldest, err
}

// Lapse withdraws recalled notices whose worker died: nobody will settle them.
func (tx *Tx) Lapse(ctx context.Context) (n int64, err error) {
	defer fail("store.Lapse", &err)
	now := micro(tx.now)
	return tx.exec(ctx, `UPDATE notice SET state = 'withdrawn', lease_end = NULL, finished_at = ? WHERE state = 'sending' AND lease_end < ? AND recalled_at IS NOT NULL`, now, now)
}

// Stuck returns open notices whose time, or whose lease, passed longer ago than
// grace: their job was lost or died. Upkeep gives them a new one.
func (tx *Tx) Stuck(ctx context.Context, grace time.Duration, most int) (out []NoticeRow, err error) {
	defer fail("store.Stuck", &err)
	before := micro(tx.now.Add(-grace))
	err = tx.list(ctx, &out, `SELECT `+noticeColumns+` FROM notice
		WHERE recalled_at IS NULL AND `+mayLeave+` AND ((state IN ('queued', 'retry') AND not_before < ?) OR (state = 'sending' AND lease_end < ?))
		ORDER BY not_before, notice_key LIMIT ?`, before, before, most)
	return out, err
}
