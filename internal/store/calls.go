package store

import (
	"context"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/reminder"
)

// Request is something an account's people wait for, or a call that the shop owes them.
type Request struct {
	Coach   string `db:"coach_id" json:"coach"`
	Person  string `db:"person" json:"person"` // e-mail address; without one the name or phone number; "": nobody is known
	TaskKey string `db:"task_key" json:"task"`
	Kind    string `db:"kind" json:"kind"`                // "book", "confirm", "call" or "moved"
	Day     string `db:"day" json:"day"`                  // of the request; "" for calls
	Reason  string `db:"reason" json:"reason,omitempty"`  // of a call: "safety_stop", or why no message reaches the person
	Name    string `db:"-" json:"name,omitempty"`         // of the person, as the coach's record has it
	Phone   string `db:"-" json:"phone,omitempty"`        // of the person
	Label   string `db:"-" json:"label,omitempty"`        // of the coach
	Last    string `db:"-" json:"last_message,omitempty"` // day of the last message to the person about the coach
	Speaks  string `db:"-" json:"language,omitempty"`     // of the person, as a tag such as "es"
	Target  string `db:"target" json:"target,omitempty"`  // of the task; "": it is not on record any more
	Why     string `db:"why" json:"why,omitempty"`        // of the task
	Place   string `db:"-" json:"place,omitempty"`        // moved: where the coach stands now
}

// callReasons are the reasons that leave a call to the shop, as SQL; reminder.Reason.Calls
// says the same, and a test holds the two together.
const callReasons = `('call_list', 'no_address', 'bad_address', 'opted_out', 'no_consent', 'by_phone')`

// Requests returns, with kind "book", the bookings asked for since a day; with
// "confirm" the work that a person reported as done and only the shop can confirm;
// and with "call" the due tasks that no message tells the person of, as the last pass
// found, and every safety stop. A stop has one row without a person: who is called is
// the caller's to add.
func (tx *Tx) Requests(ctx context.Context, id coach.AccountID, since civil.Date) (out []Request, err error) {
	defer fail("store.Requests", &err)
	// The order is by number, because the parts of the union name only their first columns
	// alike: safety stops, then by kind, day, coach, task and person.
	err = tx.list(ctx, &out, `
		SELECT r.coach_id, r.person, r.task_key, r.kind, r.day, r.reason, COALESCE(t.target, '') AS target, COALESCE(t.why, '') AS why FROM (
			SELECT coach_id, person, task_key, kind, day, '' AS reason FROM answer WHERE account_id = ? AND kind = 'book' AND day >= ?
			UNION ALL
			SELECT coach_id, person, task_key, 'confirm', day, '' FROM answer WHERE account_id = ? AND kind = 'done' AND day >= ?
				AND (task_key LIKE 'replace_%' OR task_key LIKE 'rebond|%' OR task_key LIKE 'refit|%' OR task_key LIKE 'safety_%')
			UNION ALL
			SELECT coach_id, person, task_key, 'call', '', reason FROM suppressed WHERE account_id = ? AND reason IN `+callReasons+`
				AND task_key NOT LIKE 'safety_stop|%'
			UNION ALL
			SELECT coach_id, '', task_key, 'call', '', 'safety_stop' FROM task WHERE account_id = ? AND kind = 'safety_stop'
		) r LEFT JOIN task t ON t.account_id = ? AND t.coach_id = r.coach_id AND t.task_key = r.task_key
		ORDER BY CASE WHEN r.reason = 'safety_stop' THEN 0 ELSE 1 END, 4, 5, 1, 3, 2`,
		id, since.String(), id, since.String(), id, id, id)
	return out, err
}

// SetCall records what came of a call, or that the shop calls instead of writing.
// Recording it again replaces the note.
func (tx *Tx) SetCall(
	ctx context.Context, id coach.AccountID, c coach.ID, x reminder.Call, note, by string,
) (err error) {
	defer fail("store.SetCall", &err)
	_, err = tx.exec(ctx, `
		INSERT INTO call_outcome (account_id, coach_id, person, task_key, outcome, day, note, recorded_by, created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id, person, task_key, outcome) DO UPDATE SET day = excluded.day, note = excluded.note,
			recorded_by = excluded.recorded_by, created_at = excluded.created_at`,
		id, c, x.Person, x.TaskKey, x.Outcome, x.Day.String(), note, by, micro(tx.now))
	return err
}

// RenewStop forgets, after a further danger on a slide, that people were reached about it,
// and withdraws the messages about it that have not left, also those to be tried again:
// they would tell of less.
func (tx *Tx) RenewStop(ctx context.Context, id coach.AccountID, c coach.ID, s coach.SlideID) (err error) {
	defer fail("store.RenewStop", &err)
	key := string(coach.SafetyStop) + "|" + string(s) + "|"
	_, err = tx.exec(ctx, `DELETE FROM call_outcome WHERE account_id = ? AND coach_id = ? AND SUBSTR(task_key, 1, ?) = ? AND outcome = 'reached'`,
		id, c, len(key), key)
	if err != nil {
		return err
	}
	_, err = tx.exec(ctx, `UPDATE notice SET state = 'withdrawn', finished_at = ? WHERE account_id = ? AND coach_id = ?
		AND SUBSTR(task_key, 1, ?) = ? AND state IN ('queued', 'retry')`, micro(tx.now), id, c, len(key), key)
	return err
}

// Calls returns, by coach, what came of calls; only: of one coach.
func (tx *Tx) Calls(
	ctx context.Context, id coach.AccountID, only coach.ID,
) (out map[coach.ID][]reminder.Call, err error) {
	defer fail("store.Calls", &err)
	var rows []struct {
		Coach   string `db:"coach_id"`
		Person  string `db:"person"`
		TaskKey string `db:"task_key"`
		Outcome string `db:"outcome"`
		Day     string `db:"day"`
	}
	where, args := scope{id, only}.where()
	err = tx.list(ctx, &rows, `SELECT coach_id, person, task_key, outcome, day FROM call_outcome WHERE `+where+`
		ORDER BY coach_id, created_at, task_key, person, outcome`, args...)
	if err != nil {
		return nil, err
	}
	out = map[coach.ID][]reminder.Call{}
	for _, r := range rows {
		x := reminder.Call{Person: r.Person, TaskKey: r.TaskKey, Outcome: reminder.CallOutcome(r.Outcome)}
		if err := x.Day.UnmarshalText([]byte(r.Day)); err != nil {
			return nil, err
		}
		out[coach.ID(r.Coach)] = append(out[coach.ID(r.Coach)], x)
	}
	return out, nil
}

// LastMessages returns the day of the last message to each person about each coach of
// some, by coach and person.
func (tx *Tx) LastMessages(
	ctx context.Context, id coach.AccountID, cs []coach.ID,
) (out map[[2]string]string, err error) {
	defer fail("store.LastMessages", &err)
	out = map[[2]string]string{}
	for from := 0; from < len(cs); from += 500 {
		var rows []struct {
			Coach  string `db:"coach_id"`
			Person string `db:"person"`
			Day    string `db:"day"`
		}
		where, args := among(id, cs[from:min(from+500, len(cs))])
		err := tx.list(ctx, &rows, `SELECT coach_id, person, MAX(created_on) AS day FROM notice WHERE `+where+`
			AND state IN ('accepted', 'sending') AND task_key NOT LIKE 'shop|%' GROUP BY coach_id, person`, args...)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[[2]string{r.Coach, r.Person}] = r.Day
		}
	}
	return out, nil
}
