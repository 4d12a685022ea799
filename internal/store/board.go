package store

import (
	"context"
	"strings"

	"sealmanac/internal/coach"
)

// BoardRow is one coach on the board.
type BoardRow struct {
	Coach    string  `db:"coach_id"`
	Label    string  `db:"label"`
	Class    string  `db:"class"`
	Use      string  `db:"use_kind"`
	Place    string  `db:"place"`
	People   string  `db:"people"` // names and addresses, for the search
	State    string  `db:"state"`
	Risk     float64 `db:"risk"`  // chance in [0, 1] that its worst part needs renewal before the season opens
	Worst    string  `db:"worst"` // that part, as run/part
	Opens    string  `db:"opens"` // next opening; "": no season
	NextKind string  `db:"next_kind"`
	NextDay  string  `db:"next_day"` // target of the next task; "9999-12-31": none
	Overdue  int     `db:"overdue"`  // tasks past their target
	Visit    string  `db:"visit"`    // day agreed with the shop; "": none
}

const boardColumns = `coach_id, label, class, use_kind, place, people, state, risk, worst, opens, next_kind, next_day, overdue, visit`

// NoDay stands for "no next task", so that such rows sort last.
const NoDay = "9999-12-31"

// SaveBoard keeps a coach's row.
func (tx *Tx) SaveBoard(ctx context.Context, id coach.AccountID, r BoardRow) (err error) {
	defer fail("store.SaveBoard", &err)
	_, err = tx.exec(ctx, `INSERT INTO board (account_id, `+boardColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (account_id, coach_id) DO UPDATE SET label = excluded.label, class = excluded.class, use_kind = excluded.use_kind, place = excluded.place, people = excluded.people,
			state = excluded.state, risk = excluded.risk, worst = excluded.worst, opens = excluded.opens, next_kind = excluded.next_kind, next_day = excluded.next_day, overdue = excluded.overdue, visit = excluded.visit`,
		id, r.Coach, r.Label, r.Class, r.Use, r.Place, r.People, r.State, r.Risk, r.Worst, r.Opens, r.NextKind, r.NextDay,
		r.Overdue, r.Visit)
	return err
}

// BoardFilter chooses rows of the board. Empty fields choose nothing away.
type BoardFilter struct {
	Words        string // in the label, the short name or the people
	State        string
	Place        string
	Class        string
	Use          string
	Construction string
	Material     string
	Lot          string
	Owner        string
	Sort         string // risk (default), next, name
}

// where returns the filter as SQL with its values.
func (f BoardFilter) where(id coach.AccountID) (string, []any) {
	text, args := "b.account_id = ?", []any{id}
	// Each condition carries its values, so their order does not matter.
	add := func(cond string, v ...any) { text, args = text+" AND "+cond, append(args, v...) }
	for col, v := range map[string]string{"b.state": f.State, "b.class": f.Class, "b.use_kind": f.Use,
		"b.place": f.Place} {
		if v != "" {
			add(col+" = ?", v)
		}
	}
	for _, v := range []string{f.Words, f.Owner} {
		for _, w := range strings.Fields(strings.ToLower(v)) {
			add(`b.people LIKE ? ESCAPE '\'`, "%"+like.Replace(w)+"%")
		}
	}
	var part []string
	var pargs []any
	for _, p := range []struct{ is, v string }{{"construction = ?", f.Construction}, {"material = ?", f.Material},
		{lotIs(f.Lot), f.Lot}} {
		if p.v != "" {
			part, pargs = append(part, p.is), append(pargs, p.v)
		}
	}
	if len(part) > 0 {
		add("b.coach_id IN (SELECT coach_id FROM part WHERE account_id = ? AND "+strings.Join(part, " AND ")+")",
			append([]any{id}, pargs...)...)
	}
	return text, args
}

var like = strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)

// Board returns rows of the board in the filter's order, from an offset.
func (tx *Tx) Board(
	ctx context.Context, id coach.AccountID, f BoardFilter, offset, most int,
) (out []BoardRow, total int, err error) {
	defer fail("store.Board", &err)
	where, args := f.where(id)
	if err := tx.get(ctx, &total, `SELECT COUNT(*) FROM board b WHERE `+where, args...); err != nil {
		return nil, 0, err
	}
	order := map[string]string{"next": "b.next_day, b.coach_id", "name": "b.label, b.coach_id"}[f.Sort]
	if order == "" {
		order = "CASE b.state WHEN 'hold' THEN 0 ELSE 1 END, b.risk DESC, b.coach_id" // what must not move comes first
	}
	err = tx.list(ctx, &out, `SELECT `+boardColumns+` FROM board b WHERE `+where+` ORDER BY `+order+` LIMIT ? OFFSET ?`,
		append(args, most, offset)...)
	return out, total, err
}

// BoardCounts returns how many coaches are in each state.
func (tx *Tx) BoardCounts(ctx context.Context, id coach.AccountID) (out map[string]int, err error) {
	defer fail("store.BoardCounts", &err)
	return tx.counts(ctx, `SELECT state AS name, COUNT(*) AS n FROM board WHERE account_id = ? GROUP BY state`, id)
}

// counts returns the numbers of a query by name.
func (tx *Tx) counts(ctx context.Context, query string, args ...any) (map[string]int, error) {
	var rows []struct {
		Name string `db:"name"`
		N    int    `db:"n"`
	}
	err := tx.list(ctx, &rows, query, args...)
	out := map[string]int{}
	for _, r := range rows {
		out[r.Name] = r.N
	}
	return out, err
}

// Openings returns how many coaches open their season in each week from a day on, by
// the Monday's day, and how many of them are at risk by more than a share.
func (tx *Tx) Openings(
	ctx context.Context, id coach.AccountID, from, until string, share float64,
) (out []Opening, err error) {
	defer fail("store.Openings", &err)
	err = tx.list(ctx, &out, `SELECT opens, COUNT(*) AS n, SUM(CASE WHEN risk >= ? THEN 1 ELSE 0 END) AS risky FROM board WHERE account_id = ? AND opens >= ? AND opens < ? GROUP BY opens ORDER BY opens`, share, id, from, until)
	return out, err
}

// Opening is a day on which coaches open their season.
type Opening struct {
	Day   string `db:"opens"`
	N     int    `db:"n"`
	Risky int    `db:"risky"`
}

// BoardPlaces returns the places at which an account's coaches stand, at most 200.
func (tx *Tx) BoardPlaces(ctx context.Context, id coach.AccountID) (out []string, err error) {
	defer fail("store.BoardPlaces", &err)
	err = tx.list(ctx, &out, `SELECT DISTINCT place FROM board WHERE account_id = ? AND place <> '' ORDER BY place LIMIT 200`, id)
	return out, err
}

// Coach returns one coach with what people sent in merged, and its document's
// version, which grows with every change.
func (tx *Tx) Coach(ctx context.Context, id coach.AccountID, c coach.ID) (out coach.Coach, version int64, err error) {
	defer fail("store.Coach", &err)
	out, version, err = tx.CoachDoc(ctx, id, c)
	if err == nil {
		out, err = tx.Reported(ctx, id, out)
	}
	return out, version, err
}

// Reported returns a coach's document with what people sent in merged.
func (tx *Tx) Reported(ctx context.Context, id coach.AccountID, doc coach.Coach) (_ coach.Coach, err error) {
	defer fail("store.Reported", &err)
	cs := []coach.Coach{doc}
	err = tx.merge(ctx, scope{id, doc.ID}, cs, map[coach.ID]int{doc.ID: 0})
	return cs[0], err
}

// SuppressedCounts returns how often each reason kept a message back in the last pass.
func (tx *Tx) SuppressedCounts(ctx context.Context, id coach.AccountID) (out map[string]int, err error) {
	defer fail("store.SuppressedCounts", &err)
	return tx.counts(ctx, `SELECT reason AS name, COUNT(*) AS n FROM suppressed WHERE account_id = ? GROUP BY reason`, id)
}

// SuppressedOf returns what the last pass kept back for a reason; "": for any.
func (tx *Tx) SuppressedOf(
	ctx context.Context, id coach.AccountID, reason string, most int,
) (out []SuppressedRow, err error) {
	defer fail("store.SuppressedOf", &err)
	q, args := `SELECT coach_id, person, task_key, reason FROM suppressed WHERE account_id = ?`, []any{id}
	if reason != "" {
		q, args = q+` AND reason = ?`, append(args, reason)
	}
	err = tx.list(ctx, &out, q+` ORDER BY coach_id, person, task_key LIMIT ?`, append(args, most)...)
	return out, err
}
