package store_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// rowsOf makes 200 accounts with 400 passes each, and 8,000 notices of one of them. Few
// rows are read whole whatever there is, and rightly so.
var rowsOf = []string{
	`WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 200)
		INSERT INTO account (account_id, name, postal, email, phone, zone, created_at)
		SELECT CASE WHEN i = 1 THEN 'main' ELSE 'a' || CAST(i AS TEXT) END, '', '', '', '', '', 0 FROM n`,
	`WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 400)
		INSERT INTO pass (account_id, day, rulebook, coaches, notices, changed_at)
		SELECT account_id, CAST(2000 + i AS TEXT) || '-01-01', '', 0, 0, 0 FROM n CROSS JOIN account`,
	`WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 8000)
		INSERT INTO notice (account_id, notice_key, coach_id, person, person_name, task_kind, task_key, run, rung, target, why, covers, created_on, not_before, message_id, link_id,
			from_name, reply_to, stop_link, subject, body_text, body_html, state, tries, reply)
		SELECT 'main', 'k' || CAST(i AS TEXT), 'c', 'p', '', 'inspect', 't' || CAST(i % 5000 AS TEXT), '', 0, '', '', '[]', CAST(2000 + i % 400 AS TEXT) || '-01-01', i,
			'm' || CAST(i AS TEXT), 'l' || CAST(i AS TEXT), '', '', '', '', 'text', 'html', CASE WHEN i % 10 = 0 THEN 'queued' ELSE 'accepted' END, 0, '' FROM n`,
}

// What is asked often is found by an index, however long an account's history is.
func TestReadsUseIndexes(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		fill := rowsOf
		if db.Name() == "postgres" { // which does so by itself, in time
			fill = append(slices.Clone(rowsOf), "ANALYZE")
		}
		err := db.Update(t.Context(), func(tx *store.Tx) error {
			for _, q := range fill {
				if _, err := tx.SQL().ExecContext(t.Context(), q); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for name, r := range store.Reads {
			plan := planOf(t, db, r.Query, r.Args)
			if by := regexp.MustCompile(`\b(` + strings.Join(r.Indexes, "|") + `)\b`); !by.MatchString(plan) {
				t.Errorf("%s uses none of %v:\n%s", name, r.Indexes, plan)
			}
			whole := regexp.MustCompile(`Seq Scan on (notice|pass)\b|SCAN (notice|p|q|pass)\b|USE TEMP B-TREE FOR ORDER BY`)
			if name != "search by a word" && whole.MatchString(plan) { // which sorts the three that it finds
				t.Errorf("%s reads a whole table, or sorts it:\n%s", name, plan)
			}
		}
	})
}

// planOf returns how a database would run a query.
func planOf(t *testing.T, db *store.DB, query string, args []any) string {
	t.Helper()
	explain := "EXPLAIN QUERY PLAN "
	if db.Name() == "postgres" {
		explain = "EXPLAIN "
		for _, a := range args { // what it plans with is what was asked, not a guess
			text := fmt.Sprint(a)
			if s, ok := a.(string); ok {
				text = "'" + s + "'"
			}
			query = strings.Replace(query, "?", text, 1)
		}
		args = nil
	}
	var out []string
	err := db.View(t.Context(), func(tx *store.Tx) error {
		rows, err := tx.SQL().QueryContext(t.Context(), explain+query, args...)
		if err != nil {
			return err
		}
		defer rows.Close() //nolint:errcheck // read whole
		cols, err := rows.Columns()
		if err != nil {
			return err
		}
		for rows.Next() {
			line := make([]any, len(cols))
			for i := range line {
				line[i] = new(string)
			}
			if err := rows.Scan(line...); err != nil {
				return err
			}
			out = append(out, *line[len(line)-1].(*string))
		}
		return rows.Err()
	})
	if err != nil {
		t.Fatal(query, err)
	}
	return strings.Join(out, "\n")
}
