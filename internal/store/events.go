package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"

	"sealmanac/internal/coach"
)

// Event is something that happened.
type Event struct {
	Seq    int64  `db:"seq"`
	ID     string `db:"event_id"`
	Kind   string `db:"kind"` // such as "notice.made"
	Coach  string `db:"coach_id"`
	Data   string `db:"data"` // JSON
	MadeAt int64  `db:"created_at"`
}

// Happened is an event about to be noted.
type Happened struct {
	Kind  string
	Coach coach.ID
	Data  map[string]any
}

// AddEvents notes what happened, in the transaction that makes it true. Call it last:
// from here to the commit, transactions of the account that note events stand in line,
// which makes the numbers follow the commits without gaps.
func (tx *Tx) AddEvents(ctx context.Context, id coach.AccountID, hs ...Happened) (err error) {
	defer fail("store.AddEvents", &err)
	if len(hs) == 0 {
		return nil
	}
	if _, err := tx.exec(ctx, `INSERT INTO event_head (account_id, seq) VALUES (?, ?) ON CONFLICT (account_id) DO UPDATE SET seq = event_head.seq + ?`, id, len(hs), len(hs)); err != nil {
		return err
	}
	var head int64
	if err := tx.get(ctx, &head, `SELECT seq FROM event_head WHERE account_id = ?`, id); err != nil {
		return err
	}
	rows := make([][]any, len(hs))
	for i, h := range hs {
		data, err := json.Marshal(h.Data)
		if err != nil {
			return err
		}
		seq := head - int64(len(hs)) + int64(i) + 1
		sum := sha256.Sum256([]byte(fmt.Sprint(id, "|", seq)))
		rows[i] = []any{id, seq, "evt_" + hex.EncodeToString(sum[:12]), h.Kind, h.Coach, string(data), micro(tx.now)}
	}
	return tx.fill(ctx, "event", []string{"account_id", "seq", "event_id", "kind", "coach_id", "data", "created_at"}, rows)
}

// Events returns an account's events after a number, in order.
func (tx *Tx) Events(ctx context.Context, id coach.AccountID, after int64, most int) (out []Event, err error) {
	defer fail("store.Events", &err)
	err = tx.list(ctx, &out, `SELECT seq, event_id, kind, coach_id, data, created_at FROM event WHERE account_id = ? AND seq > ? ORDER BY seq LIMIT ?`, id, after, most)
	return out, err
}

// EventByID returns one event.
func (tx *Tx) EventByID(ctx context.Context, id coach.AccountID, event string) (e Event, err error) {
	defer fail("store.EventByID", &err)
	err = tx.get(ctx, &e, `SELECT seq, event_id, kind, coach_id, data, created_at FROM event WHERE account_id = ? AND event_id = ?`, id, event)
	return e, err
}

// EventHead returns the number of an account's newest event; 0: there is none.
func (tx *Tx) EventHead(ctx context.Context, id coach.AccountID) (seq int64, err error) {
	defer fail("store.EventHead", &err)
	err = tx.get(ctx, &seq, `SELECT COALESCE(MAX(seq), 0) FROM event_head WHERE account_id = ?`, id)
	return seq, err
}

// EventBefore returns the number of the last event made before an instant.
func (tx *Tx) EventBefore(ctx context.Context, id coach.AccountID, at int64) (seq int64, err error) {
	defer fail("store.EventBefore", &err)
	err = tx.get(ctx, &seq, `SELECT COALESCE(MAX(seq), 0) FROM event WHERE account_id = ? AND created_at < ?`, id, at)
	return seq, err
}

// Endpoint is an address that events are sent to.
type Endpoint struct {
	Account  string `db:"account_id"`
	ID       string `db:"endpoint_id"`
	URL      string `db:"url"`
	Kinds    string `db:"kinds"` // words parted by blanks; "": all
	Keys     string `db:"keys"`  // JSON list of secrets, the newest first
	State    string `db:"state"` // live, paused, gone
	Seq      int64  `db:"seq"`   // what was delivered
	Tries    int64  `db:"tries"` // of the next one
	NextAt   int64  `db:"next_at"`
	LeaseEnd int64  `db:"lease_end"`
	Trouble  string `db:"last_error"`
	MadeBy   string `db:"created_by"`
	MadeAt   int64  `db:"created_at"`
	Names    int64  `db:"names"` // of events: 1, those of its time, or 2, the present ones
}

const endpointColumns = `account_id, endpoint_id, url, kinds, keys, state, seq, tries, next_at, lease_end, last_error, created_by, created_at, names`

// AddEndpoint keeps an endpoint.
func (tx *Tx) AddEndpoint(ctx context.Context, e Endpoint) (err error) {
	defer fail("store.AddEndpoint", &err)
	_, err = tx.exec(ctx, `INSERT INTO endpoint (`+endpointColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?, 0, 0, 0, '', ?, ?, ?)`,
		e.Account, e.ID, e.URL, e.Kinds, e.Keys, e.State, e.Seq, e.MadeBy, micro(tx.now), e.Names)
	return err
}

// Endpoints returns an account's endpoints by name.
func (tx *Tx) Endpoints(ctx context.Context, id coach.AccountID) (out []Endpoint, err error) {
	defer fail("store.Endpoints", &err)
	err = tx.list(ctx, &out, `SELECT `+endpointColumns+` FROM endpoint WHERE account_id = ? ORDER BY created_at, endpoint_id`,
		id)
	return out, err
}

// EndpointByID returns one endpoint.
func (tx *Tx) EndpointByID(ctx context.Context, id coach.AccountID, endpoint string) (e Endpoint, err error) {
	defer fail("store.EndpointByID", &err)
	err = tx.get(ctx, &e,
		`SELECT `+endpointColumns+` FROM endpoint WHERE account_id = ? AND endpoint_id = ?`, id, endpoint)
	return e, err
}

// EndpointStates returns how many endpoints of all accounts are in each state.
func (tx *Tx) EndpointStates(ctx context.Context) (out map[string]int, err error) {
	defer fail("store.EndpointStates", &err)
	var rows []struct {
		State string `db:"state"`
		N     int    `db:"n"`
	}
	err = tx.list(ctx, &rows, `SELECT state, COUNT(*) AS n FROM endpoint GROUP BY state`)
	out = map[string]int{}
	for _, r := range rows {
		out[r.State] = r.N
	}
	return out, err
}

// WaitingEndpoints returns endpoints of all accounts that have something to be sent now
// and that nobody serves.
func (tx *Tx) WaitingEndpoints(ctx context.Context, most int) (out []Endpoint, err error) {
	defer fail("store.WaitingEndpoints", &err)
	err = tx.list(ctx, &out, `SELECT e.account_id, e.endpoint_id, e.url, e.kinds, e.keys, e.state, e.seq, e.tries, e.next_at, e.lease_end, e.last_error, e.created_by, e.created_at, e.names FROM endpoint e
		JOIN event_head h ON h.account_id = e.account_id
		WHERE e.state = 'live' AND e.next_at <= ? AND e.lease_end < ? AND e.seq < h.seq ORDER BY e.next_at, e.account_id, e.endpoint_id LIMIT ?`, micro(tx.now), micro(tx.now), most)
	return out, err
}

// LeaseEndpoint gives an endpoint to the caller until an instant; it reports whether
// nobody else has it.
func (tx *Tx) LeaseEndpoint(ctx context.Context, e Endpoint, until int64) (_ bool, err error) {
	defer fail("store.LeaseEndpoint", &err)
	n, err := tx.exec(ctx, `UPDATE endpoint SET lease_end = ? WHERE account_id = ? AND endpoint_id = ? AND state = 'live' AND (lease_end < ? OR lease_end = ?)`, until, e.Account, e.ID, micro(tx.now), e.LeaseEnd)
	return n == 1, err
}

// SettleEndpoint notes how far an endpoint has come and what is next; lease is the
// caller's, so that who was taken over from changes nothing.
func (tx *Tx) SettleEndpoint(ctx context.Context, e Endpoint, lease int64) (_ bool, err error) {
	defer fail("store.SettleEndpoint", &err)
	n, err := tx.exec(ctx, `UPDATE endpoint SET state = CASE WHEN state = 'live' THEN ? ELSE state END, seq = ?, tries = ?, next_at = ?, lease_end = ?, last_error = ? WHERE account_id = ? AND endpoint_id = ? AND lease_end = ?`,
		e.State, e.Seq, e.Tries, e.NextAt, e.LeaseEnd, e.Trouble, e.Account, e.ID, lease)
	return n == 1, err
}

// ChangeEndpoint sets what a person may change: address, kinds, keys, state and where
// it stands in the events.
func (tx *Tx) ChangeEndpoint(ctx context.Context, e Endpoint) (err error) {
	defer fail("store.ChangeEndpoint", &err)
	_, err = tx.exec(ctx, `UPDATE endpoint SET url = ?, kinds = ?, keys = ?, state = ?, seq = ?, tries = ?, next_at = ?, last_error = ?, names = ?, lease_end = 0 WHERE account_id = ? AND endpoint_id = ?`, e.URL, e.Kinds, e.Keys, e.State, e.Seq, e.Tries, e.NextAt, e.Trouble, e.Names, e.Account, e.ID)
	return err
}

// DropEndpoint removes an endpoint.
func (tx *Tx) DropEndpoint(ctx context.Context, id coach.AccountID, endpoint string) (_ bool, err error) {
	defer fail("store.DropEndpoint", &err)
	n, err := tx.exec(ctx, `DELETE FROM endpoint WHERE account_id = ? AND endpoint_id = ?`, id, endpoint)
	return n > 0, err
}

// ChangedCoaches returns coaches' documents by the time of their last change, after a
// change time and name, so that a reader can catch up page by page. What people sent in
// besides is not in them.
func (tx *Tx) ChangedCoaches(
	ctx context.Context, id coach.AccountID, at int64, after string, most int,
) (out []ChangedCoach, err error) {
	defer fail("store.ChangedCoaches", &err)
	err = tx.list(ctx, &out, `SELECT coach_id, changed_at, doc FROM coach WHERE account_id = ? AND (changed_at, coach_id) > (?, ?) ORDER BY changed_at, coach_id LIMIT ?`, id, at, after, most)
	return out, err
}

// CoachesByExternal returns the coaches to which another system gave a key.
func (tx *Tx) CoachesByExternal(
	ctx context.Context, id coach.AccountID, external string,
) (out []ChangedCoach, err error) {
	defer fail("store.CoachesByExternal", &err)
	err = tx.list(ctx, &out, `SELECT coach_id, changed_at, doc FROM coach WHERE account_id = ? AND external_id = ? AND external_id <> '' ORDER BY coach_id LIMIT 100`, id, external)
	return out, err
}

// ChangedCoach is a coach's document with the time of its last change.
type ChangedCoach struct {
	ID      string `db:"coach_id"`
	Changed int64  `db:"changed_at"`
	Doc     string `db:"doc"`
}

// Coach returns the coach that the document is of.
func (c ChangedCoach) Coach() (out coach.Coach, err error) {
	err = decode(c.Doc, &out)
	return out, err
}

// TaskRow is a task of the last pass.
type TaskRow struct {
	Coach    string `db:"coach_id"`
	Key      string `db:"task_key"`
	Kind     string `db:"kind"`
	Run      string `db:"run"`
	Earliest string `db:"earliest"`
	Target   string `db:"target"`
	Latest   string `db:"latest"`
	Why      string `db:"why"`
}

// TasksAfter returns an account's tasks by target, coach and key, up to a target. They
// come after a task, which its target and its coach|key name; of one coach when it is
// named.
func (tx *Tx) TasksAfter(
	ctx context.Context, id coach.AccountID, c coach.ID, target, key, until string, most int,
) (out []TaskRow, err error) {
	defer fail("store.TasksAfter", &err)
	where, args := scope{id, c}.where()
	last, key, _ := strings.Cut(key, "|") // no coach has a | in its name
	args = append(args, target, last, key, until, most)
	err = tx.list(ctx, &out, `
		SELECT coach_id, task_key, kind, run, earliest, target, latest, why FROM task
		WHERE `+where+` AND (target, coach_id, task_key) > (?, ?, ?) AND target <= ?
		ORDER BY target, coach_id, task_key LIMIT ?`, args...)
	return out, err
}

// TaskByKey returns one task of a coach.
func (tx *Tx) TaskByKey(ctx context.Context, id coach.AccountID, c coach.ID, key string) (t TaskRow, err error) {
	defer fail("store.TaskByKey", &err)
	err = tx.get(ctx, &t, `SELECT coach_id, task_key, kind, run, earliest, target, latest, why FROM task WHERE account_id = ? AND coach_id = ? AND task_key = ?`, id, c, key)
	return t, err
}

// Likelies returns the likely dates that a coach's parts had at the last pass, by
// run/part.
func (tx *Tx) Likelies(ctx context.Context, id coach.AccountID, c coach.ID) (out map[string]string, err error) {
	defer fail("store.Likelies", &err)
	var rows []struct {
		Run    string `db:"run"`
		Part   string `db:"part"`
		Likely string `db:"likely"`
	}
	err = tx.list(ctx, &rows, `SELECT run, part, likely FROM forecast WHERE account_id = ? AND coach_id = ?`, id, c)
	out = map[string]string{}
	for _, r := range rows {
		out[r.Run+"/"+r.Part] = r.Likely
	}
	return out, err
}

// BoardState returns the state that a coach had on the board; "": none yet.
func (tx *Tx) BoardState(ctx context.Context, id coach.AccountID, c coach.ID) (state string, err error) {
	defer fail("store.BoardState", &err)
	var rows []string
	err = tx.list(ctx, &rows, `SELECT state FROM board WHERE account_id = ? AND coach_id = ?`, id, c)
	if len(rows) > 0 {
		state = rows[0]
	}
	return state, err
}
