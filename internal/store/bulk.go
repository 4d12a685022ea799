package store

import (
	"context"
	"slices"
	"strings"

	"sealmanac/internal/coach"
)

// Prepared is a coach ready to be stored: what of it costs time is done without a
// transaction.
type Prepared struct {
	coach *coach.Coach
	doc   string
	parts []partRow
	err   error
}

// Prepare makes a coach ready to be stored. What goes wrong is told when it is stored.
func Prepare(c *coach.Coach) Prepared {
	doc, err := encode(c)
	return Prepared{c, doc, partsOf(c), err}
}

// SaveCoaches adds coaches or replaces what is known of them, and returns which of them
// it found new or different: the others are left as they are, with their version. What
// people reported since (services, answers, notices) stays. The account must be locked,
// or else a coach that two add at once fails one of them; no coach may stand twice.
func (tx *Tx) SaveCoaches(
	ctx context.Context, id coach.AccountID, cs []coach.Coach,
) (changed map[coach.ID]bool, err error) {
	ps := make([]Prepared, len(cs))
	for i := range cs {
		ps[i] = Prepare(&cs[i])
	}
	return tx.SavePrepared(ctx, id, ps)
}

// SavePrepared is SaveCoaches for coaches that were prepared. It works in chunks, because
// both databases bound how many values a statement has.
func (tx *Tx) SavePrepared(
	ctx context.Context, id coach.AccountID, ps []Prepared,
) (changed map[coach.ID]bool, err error) {
	defer fail("store.SaveCoaches", &err)
	changed = map[coach.ID]bool{}
	for chunk := range slices.Chunk(ps, 500) {
		if err := tx.saveCoaches(ctx, id, chunk, changed); err != nil {
			return nil, err
		}
	}
	return changed, nil
}

var coachColumns = []string{"account_id", "coach_id", "label", "doc", "changed_at", "external_id", "feed", "danger"}

// searched returns what stands beside a coach's document because it is searched for: its
// feed, and 1 when it has a reading of a kind that can mean danger, else 0.
func searched(c *coach.Coach) (feed string, danger int) {
	if slices.ContainsFunc(c.Readings, func(r coach.Reading) bool { return canMeanDanger(r.Kind) }) {
		danger = 1
	}
	return c.Feed, danger
}

func (tx *Tx) saveCoaches(ctx context.Context, id coach.AccountID, ps []Prepared, changed map[coach.ID]bool) error {
	names := make([]coach.ID, len(ps))
	for i, p := range ps {
		if p.err != nil {
			return p.err
		}
		names[i] = p.coach.ID
	}
	was, err := tx.docs(ctx, id, names)
	if err != nil {
		return err
	}
	if err := tx.tidy(ctx, id, ps, names); err != nil {
		return err
	}
	var fresh, other [][]any
	var parts, old, anew []partRow // of fresh coaches; of changed ones, before and after
	for _, p := range ps {
		c := p.coach
		doc, known := was[c.ID]
		if known && (doc == p.doc || again(doc) == p.doc) {
			continue
		}
		changed[c.ID] = true
		feed, danger := searched(c)
		row := []any{string(id), string(c.ID), c.Name(), p.doc, micro(tx.now), c.External, feed, danger}
		if !known {
			fresh, parts = append(fresh, row), append(parts, p.parts...)
			continue
		}
		var former coach.Coach
		if err := decode(doc, &former); err != nil {
			return err
		}
		other, old, anew = append(other, row), append(old, partsOf(&former)...), append(anew, p.parts...)
	}
	if err := tx.fill(ctx, "coach", coachColumns, fresh); err != nil {
		return err
	}
	// The instant of a change is the coach's version, by which a writer shows which one it has
	// seen. So it grows with every change, even if the clock was set back.
	err = tx.insert(ctx, "coach", coachColumns, other, `ON CONFLICT (account_id, coach_id) DO UPDATE SET label = excluded.label, doc = excluded.doc, changed_at = CASE WHEN excluded.changed_at > coach.changed_at THEN excluded.changed_at ELSE coach.changed_at + 1 END, external_id = excluded.external_id, feed = excluded.feed, danger = excluded.danger`)
	if err != nil {
		return err
	}
	return tx.replaceParts(ctx, id, parts, old, anew)
}

// again returns a document that an earlier version wrote as it is written now: the way
// in which a coach is written is no change of it, and makes no version and no event.
func again(doc string) string {
	if current(doc) {
		return doc
	}
	var c coach.Coach
	if err := decode(doc, &c); err != nil {
		return doc
	}
	doc, _ = encode(&c) // "" is no document: it counts as changed
	return doc
}

// docs returns the documents of coaches as they are stored.
func (tx *Tx) docs(ctx context.Context, id coach.AccountID, names []coach.ID) (map[coach.ID]string, error) {
	var rows []struct {
		Coach coach.ID `db:"coach_id"`
		Doc   string   `db:"doc"`
	}
	q, args := tx.named("coach_id, doc", id, names)
	err := tx.list(ctx, &rows, q, args...)
	out := make(map[coach.ID]string, len(rows))
	for _, r := range rows {
		out[r.Coach] = r.Doc
	}
	return out, err
}

// named asks for coaches by their short names; conditions may follow.
func (tx *Tx) named(columns string, id coach.AccountID, names []coach.ID) (query string, args []any) {
	values := make([]string, len(names))
	for i, n := range names {
		values[i] = string(n)
	}
	return tx.d.lookUp(columns, "coach_id", 1, id, values)
}

// among is the condition that a row is of one of some coaches, with its values.
func among(id coach.AccountID, names []coach.ID) (string, []any) {
	args := []any{id}
	for _, c := range names {
		args = append(args, c)
	}
	return "account_id = ? AND coach_id IN (" + marks(len(names)) + ")", args
}

// partRow is a part as it is searched for.
type partRow struct {
	partKey
	Material     string `db:"material"`
	Construction string `db:"construction"`
	Fitted       string `db:"fitted"`
	Lot          string `db:"lot"`
}

type partKey struct {
	Coach string `db:"coach_id"`
	Run   string `db:"run"`
	Part  string `db:"part"`
}

func partsOf(c *coach.Coach) (out []partRow) {
	for _, s := range c.Slides {
		for _, r := range s.Runs {
			for _, p := range r.Parts {
				out = append(out, partRow{partKey{string(c.ID), s.Address(r), string(p.Kind)}, string(p.Material),
					string(r.Construction), p.Fitted.String(), p.Lot})
			}
		}
	}
	return out
}

var partColumns = []string{"account_id", "coach_id", "run", "part", "material", "construction", "fitted", "lot"}

// replaceParts adds the parts of fresh coaches, and makes those of changed ones what
// their documents say; most stay as they are. The former document tells what was there:
// parts are written with it.
func (tx *Tx) replaceParts(ctx context.Context, id coach.AccountID, fresh, old, anew []partRow) error {
	rows := func(ps []partRow) [][]any {
		out := make([][]any, len(ps))
		for i, p := range ps {
			out[i] = []any{string(id), p.Coach, p.Run, p.Part, p.Material, p.Construction, p.Fitted, p.Lot}
		}
		return out
	}
	if err := tx.fill(ctx, "part", partColumns, rows(fresh)); err != nil {
		return err
	}
	was := make(map[partKey]partRow, len(old))
	for _, p := range old {
		was[p.partKey] = p
	}
	var now []partRow
	for _, p := range anew {
		if was[p.partKey] != p {
			now = append(now, p)
		}
		delete(was, p.partKey)
	}
	if err := tx.endLives(ctx, id, old, now); err != nil {
		return err
	}
	for p := range was { // no document has them any more
		if _, err := tx.exec(ctx, `DELETE FROM part WHERE account_id = ? AND coach_id = ? AND run = ? AND part = ?`, id, p.Coach, p.Run, p.Part); err != nil {
			return err
		}
	}
	return tx.insert(ctx, "part", partColumns, rows(now), `ON CONFLICT (account_id, coach_id, run, part) DO UPDATE SET material = excluded.material, construction = excluded.construction, fitted = excluded.fitted, lot = excluded.lot`)
}

// tidy forgets what a coach's new document makes untrue. Most coaches have nothing of
// the kind: that is asked for all at once.
func (tx *Tx) tidy(ctx context.Context, id coach.AccountID, ps []Prepared, names []coach.ID) error {
	where, args := among(id, names)
	for q, each := range map[string]func(*coach.Coach) error{
		// A feed that the coach no longer has books nothing.
		`SELECT DISTINCT coach_id FROM booking WHERE ` + where + ` AND source LIKE 'https://%'`: func(c *coach.Coach) error {
			_, err := tx.exec(ctx, `DELETE FROM booking WHERE account_id = ? AND coach_id = ? AND source LIKE 'https://%' AND source <> ?`, id, c.ID, c.Feed)
			return err
		},
		`SELECT DISTINCT coach_id FROM coach_report WHERE ` + where: func(c *coach.Coach) error {
			return tx.dropStale(ctx, id, c)
		},
	} {
		var hit []coach.ID
		if err := tx.list(ctx, &hit, q, args...); err != nil {
			return err
		}
		for _, p := range ps {
			if slices.Contains(hit, p.coach.ID) {
				if err := each(p.coach); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// leastCopied is from how many rows on COPY is worth its two further round trips.
const leastCopied = 50

// fill adds rows of a table that are not there yet, the fastest way the database has.
func (tx *Tx) fill(ctx context.Context, table string, columns []string, rows [][]any) (err error) {
	if !tx.d.copies || len(rows) < leastCopied {
		return tx.insert(ctx, table, columns, rows, "")
	}
	st, err := tx.tx.PrepareContext(ctx, `COPY `+table+` (`+strings.Join(columns, ", ")+`) FROM STDIN`)
	if err != nil {
		return err
	}
	defer func() {
		if e := st.Close(); err == nil {
			err = e
		}
	}()
	for _, r := range rows {
		if _, err := st.ExecContext(ctx, r...); err != nil {
			return err
		}
	}
	_, err = st.ExecContext(ctx) // without values it sends what is buffered
	return err
}

// insert adds rows of the same width, many at a statement, with what to do about those
// that are there already.
func (tx *Tx) insert(ctx context.Context, table string, columns []string, rows [][]any, conflict string) error {
	_, err := tx.inserted(ctx, table, columns, rows, conflict)
	return err
}

// inserted is insert, and tells how many rows it wrote. 600 rows of the widest table stay
// below the 32,766 values that SQLite takes in one statement.
func (tx *Tx) inserted(ctx context.Context, table string, columns []string, rows [][]any,
	conflict string) (written int64, err error) {
	for chunk := range slices.Chunk(rows, 600) {
		args := make([]any, 0, len(chunk)*len(columns))
		for _, r := range chunk {
			args = append(args, r...)
		}
		one := "(" + marks(len(columns)) + ")"
		n, err := tx.exec(ctx, `INSERT INTO `+table+` (`+strings.Join(columns, ", ")+`) VALUES `+strings.Repeat(one+", ",
			len(chunk)-1)+one+" "+conflict, args...)
		if err != nil {
			return written, err
		}
		written += n
	}
	return written, nil
}

func marks(n int) string { return strings.Repeat("?, ", n-1) + "?" }
