package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

// archived are the tables that make up an account, in an order in which they can be
// filled again, with the columns that put their rows in order. What a pass computes
// anew, sessions, keys and secrets are left out: nobody signs in by an archive.
var archived = []struct{ table, order string }{
	{"account", "account_id"}, {"workshop", "account_id"}, {"rules", "version"}, {"coach", "coach_id"}, {"part", "coach_id, run, part"}, {"service", "coach_id, day, kind, slide, run"},
	{"reading", "coach_id, day, kind, slide, run, part, said_by"}, {"coach_report", "coach_id, kind"}, {"booking", "coach_id, source, from_day, until_day"}, {"life", "coach_id, run, part, fitted"},
	{"answer", "coach_id, task_key, kind, person"}, {"call_outcome", "coach_id, person, task_key, outcome"}, {"opt_out", "person"}, {"bad_address", "person"}, {"campaign", "campaign_id"}, {"notice", "notice_key"}, {"audit", "at, ordinal"}, {"event_head", "account_id"}, {"event", "seq"}, {"attachment", "coach_id, attachment_id"},
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
	rows, err := tx.QueryxContext(ctx, tx.Rebind(`SELECT * FROM `+table+` WHERE `+where+` ORDER BY `+archived[k].order), id)
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
		return fault.New(fault.Invalid, fmt.Sprintf("%q is not part of an archive", table), "Take an archive that this program made.")
	}
	known, err := tx.columns(ctx, table)
	if err != nil {
		return err
	}
	cols, args := []string{"account_id"}, []any{id}
	for c, v := range row {
		if !slices.Contains(known, c) || c == "account_id" {
			return fault.New(fault.Invalid, fmt.Sprintf("the archive has a column %q of %s that is not known here", c, table), "Use the version of the program that made it, or a newer one.")
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
		return fault.New(fault.Conflict, fmt.Sprintf("a row of %s has a number that is here already: the account, or a copy of it, is in this database", table), "Restore it into another database.")
	}
	return err
}

// columns returns the names of a table's columns.
func (tx *Tx) columns(ctx context.Context, table string) ([]string, error) {
	rows, err := tx.QueryxContext(ctx, `SELECT * FROM `+table+` WHERE 1 = 0`)
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
	err = tx.GetContext(ctx, &n, tx.Rebind(`SELECT COUNT(*) FROM account WHERE account_id = ?`), id)
	return n == 0, err
}
