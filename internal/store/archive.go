package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/lib/pq"
	sqlite "modernc.org/sqlite"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

// archived are the tables that make up an account, in an order in which they can be
// filled again, with the columns that put their rows in order. What a pass computes
// anew, sessions, keys and secrets are left out: nobody signs in by an archive.
var archived = []struct{ table, order string }{
	{"account", "account_id"}, {"workshop", "account_id"}, {"rules", "version"}, {"coach", "coach_id"},
	{"part", "coach_id, run, part"}, {"service", "coach_id, day, kind, slide, run"},
	{"reading", "coach_id, day, kind, slide, run, part, recorded_by"}, {"coach_report", "coach_id, kind"},
	{"booking", "coach_id, source, from_day, until_day"}, {"life", "coach_id, run, part, fitted"},
	{"answer", "coach_id, task_key, kind, person"}, {"call_outcome", "coach_id, person, task_key, outcome"},
	{"opt_out", "person"}, {"bad_address", "person"}, {"campaign", "campaign_id"}, {"notice", "notice_key"},
	{"audit", "at, ordinal"}, {"event_head", "account_id"}, {"event", "seq"}, {"attachment", "coach_id, attachment_id"},
}

// ArchivedTables lists the tables of an archive in order.
func ArchivedTables() (out []string) {
	for _, a := range archived {
		out = append(out, a.table)
	}
	return out
}

// Dump calls see for each row of an account's table, in a fixed order, with the row's
// columns. Bytes stay []byte, texts are string, numbers int64 or float64.
func (tx *Tx) Dump(ctx context.Context, id coach.AccountID, table string, see func(map[string]any) error) (err error) {
	defer fail("store.Dump", &err)
	k := slices.IndexFunc(archived, func(a struct{ table, order string }) bool { return a.table == table })
	if k < 0 {
		return fault.New(fault.NotFound, fmt.Sprintf("%q is not part of an archive", table), "")
	}
	where := "account_id = ?"
	if table == "notice" {
		where += " AND task_kind <> 'access'" // links to sign in by
	}
	rows, err := tx.tx.QueryxContext(ctx, tx.tx.Rebind(`SELECT * FROM `+table+` WHERE `+where+` ORDER BY `+archived[k].order),
		id)
	if err != nil {
		return err
	}
	defer rows.Close() //nolint:errcheck // read whole, or failed before
	for rows.Next() {
		row := map[string]any{}
		if err := rows.MapScan(row); err != nil {
			return err
		}
		delete(row, "account_id")
		for c, v := range row {
			// A driver may return a text as bytes; only attachments hold bytes.
			if b, ok := v.([]byte); ok && (table != "attachment" || !blob[c]) {
				row[c] = string(b)
			}
		}
		if err := see(row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// blob are the columns of attachments that hold bytes.
var blob = map[string]bool{"body": true, "thumb": true}

// Fill adds a row to an account's table, as Dump gave it.
func (tx *Tx) Fill(ctx context.Context, id coach.AccountID, table string, row map[string]any) (err error) {
	defer fail("store.Fill", &err)
	if !slices.ContainsFunc(archived, func(a struct{ table, order string }) bool { return a.table == table }) {
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not part of an archive", table),
			"Take an archive that this program made.")
	}
	known, err := tx.columns(ctx, table)
	if err != nil {
		return err
	}
	if table == "coach" {
		if err := presentRow(row); err != nil {
			return err
		}
	}
	cols, args := []string{"account_id"}, []any{id}
	for c, v := range row {
		c = nameNow(known, c)
		if !slices.Contains(known, c) || c == "account_id" {
			return fault.New(fault.Invalid, fmt.Sprintf("the archive has a column %q of %s that is not known here", c, table),
				"Use the version of the program that made it, or a newer one.")
		}
		if n, ok := v.(json.Number); ok {
			if i, err := n.Int64(); err == nil {
				v = i
			} else if v, err = n.Float64(); err != nil {
				return err
			}
		}
		cols, args = append(cols, c), append(args, v)
	}
	_, err = tx.exec(ctx, `INSERT INTO `+table+` (`+strings.Join(cols, ", ")+`) VALUES (`+marks(len(cols))+`)`, args...)
	if taken(err) {
		return fault.New(fault.Conflict,
			fmt.Sprintf("a row of %s has a number that is here already: the account, or a copy of it, is in this database",
				table), "Restore it into another database.")
	}
	if column, ok := missing(err); ok {
		what := fmt.Sprintf("the archive has a row of %s without %q", table, column)
		return &fault.Error{Kind: fault.Invalid, Msg: what, Hint: badRow, Err: err}
	}
	if unfit(err) {
		what := fmt.Sprintf("the archive has a row of %s that does not fit", table)
		return &fault.Error{Kind: fault.Invalid, Msg: what, Hint: badRow, Err: err}
	}
	return err
}

// renamedColumns are the names that columns had in archives of before schema 17, with the
// names that they may have now. A table has one of them at most.
var renamedColumns = map[string][]string{
	"made_at": {"created_at", "changed_at"}, "made_by": {"created_by"}, "made_on": {"created_on"},
	"said_by": {"recorded_by", "created_by"}, "settled_at": {"finished_at"}, "words": {"body", "reply"},
}

// nameNow returns what an archive's column is called now in a table with these columns.
func nameNow(known []string, column string) string {
	if slices.Contains(known, column) {
		return column
	}
	for _, name := range renamedColumns[column] {
		if slices.Contains(known, name) {
			return name
		}
	}
	return column
}

// presentRow brings the document of a coach's row into its present shape, and the columns
// beside it: the archive may be older than both.
func presentRow(row map[string]any) error {
	doc, ok := row["doc"].(string)
	if !ok {
		return nil // the database refuses it, and says why
	}
	text, c, err := present(doc)
	if err != nil {
		if fault.KindOf(err) == fault.Unavailable {
			return err // a newer program wrote it, and the error says so
		}
		return &fault.Error{Kind: fault.Invalid, Err: err, Hint: badRow,
			Msg: fmt.Sprintf("the archive has a row of coach, %v, whose document cannot be read", row["coach_id"])}
	}
	row["doc"] = text
	row["feed"], row["danger"] = searched(&c)
	return nil
}

const badRow = "The archive was changed or is damaged. Take the original, or archive the account again. Nothing was " +
	"stored."

// missing reports which column a row was refused for because it has no value there.
func missing(err error) (column string, ok bool) {
	if e, ok := errors.AsType[*pq.Error](err); ok {
		return e.Column, e.Code == "23502"
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	if !ok || e.Code() != 1299 { // SQLITE_CONSTRAINT_NOTNULL
		return "", false
	}
	_, column, _ = strings.Cut(e.Error(), "failed: ") // "NOT NULL constraint failed: account.email (1299)"
	_, column, _ = strings.Cut(column, ".")
	column, _, _ = strings.Cut(column, " ")
	return column, true
}

// unfit reports whether a row was refused for its values: of another type, not allowed, or
// about something that is not there.
func unfit(err error) bool {
	if e, ok := errors.AsType[*pq.Error](err); ok {
		return e.Code.Class() == "22" || e.Code.Class() == "23"
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && (e.Code()&0xff == 19 || e.Code()&0xff == 20) // SQLITE_CONSTRAINT, _MISMATCH
}

// columns returns the names of a table's columns.
func (tx *Tx) columns(ctx context.Context, table string) ([]string, error) {
	rows, err := tx.tx.QueryxContext(ctx, `SELECT * FROM `+table+` WHERE 1 = 0`)
	if err != nil {
		return nil, err
	}
	defer rows.Close() //nolint:errcheck // nothing is read
	return rows.Columns()
}

// Empty reports whether an account name is free.
func (tx *Tx) Empty(ctx context.Context, id coach.AccountID) (_ bool, err error) {
	defer fail("store.Empty", &err)
	var n int
	err = tx.get(ctx, &n, `SELECT COUNT(*) FROM account WHERE account_id = ?`, id)
	return n == 0, err
}
