package store_test

import (
	"context"
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

var future = flag.Int("future", 20_000, "how many future notices TestFutureNoticesAreFree puts into the table")

// Notices of the future do not slow dispatch: the questions that dispatch asks are
// answered from the index of open notices, whatever else is in the table.
func TestFutureNoticesAreFree(t *testing.T) {
	for _, c := range []struct{ kind, fill, explain string }{
		{"sqlite", `WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < %d) INSERT INTO notice SELECT %s FROM n`, "EXPLAIN QUERY PLAN "},
		{"postgres", `INSERT INTO notice SELECT %[2]s FROM generate_series(1, %[1]d) AS n (i)`, "EXPLAIN "},
	} {
		t.Run(c.kind, func(t *testing.T) {
			db := storetest.Fresh(t, c.kind)
			soon := time.Now().Add(24 * time.Hour).UnixMicro()
			row := fmt.Sprintf(`'a', 'k' || i, 'c', 'p', '', 'inspect', '', '', 0, '2030-01-01', '', '[]', '2026-01-01', %d + i, '<m' || i || '@x>', 'l' || i, '', '', '', '', '', '', 'queued', 0, NULL, NULL, '', NULL, NULL, '', ''`, soon)
			fatal(t, db.Update(t.Context(), func(tx *store.Tx) error {
				for _, q := range []string{`INSERT INTO account VALUES ('a', '', '', '', '', '', 0, '')`,
					fmt.Sprintf(c.fill, *future, row), `ANALYZE`} {
					if _, err := tx.SQL().ExecContext(t.Context(), q); err != nil {
						return err
					}
				}
				return nil
			}))
			now := time.Now().UnixMicro()
			for name, q := range map[string]string{
				"waiting": fmt.Sprintf(`SELECT notice_key FROM notice WHERE state IN ('queued', 'retry') AND not_before < %d AND recalled_at IS NULL AND (hold = '' AND (task_kind = 'access' OR task_key LIKE 'shop|%%' OR account_id NOT IN (SELECT account_id FROM paused_account))) ORDER BY not_before, notice_key LIMIT 1000`, now),
				"orphans": fmt.Sprintf(`SELECT notice_key FROM notice WHERE state = 'sending' AND lease_end < %d AND recalled_at IS NULL AND (hold = '' AND (task_kind = 'access' OR task_key LIKE 'shop|%%' OR account_id NOT IN (SELECT account_id FROM paused_account))) ORDER BY lease_end, notice_key LIMIT 1000`, now),
			} {
				plan := explain(t, db, c.explain+q)
				t.Logf("%s: %s", name, plan)
				if !strings.Contains(plan, "notice_open") && !strings.Contains(plan, "notice_lease") || strings.Contains(plan,
					"SCAN notice |") {
					t.Errorf("%s does not use the index of open notices: %s", name, plan)
				}
			}
			begun := time.Now()
			fatal(t, db.View(t.Context(), func(tx *store.Tx) error {
				rows, err := tx.Waiting(t.Context(), 0, 1000)
				if err == nil && len(rows) != 0 {
					t.Errorf("%d are due", len(rows))
				}
				return err
			}))
			t.Logf("with %d future notices the look for due ones took %v", *future, time.Since(begun))
		})
	}
}

func fatal(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// explain returns a query's plan on one line.
func explain(t *testing.T, db *store.DB, q string) string {
	t.Helper()
	var out []string
	fatal(t, db.View(t.Context(), func(tx *store.Tx) error {
		rows, err := tx.SQL().QueryContext(context.Background(), q)
		if err != nil {
			return err
		}
		defer rows.Close()
		cols, err := rows.Columns()
		if err != nil {
			return err
		}
		for rows.Next() {
			cells := make([]any, len(cols))
			for i := range cells {
				cells[i] = new(any)
			}
			if err := rows.Scan(cells...); err != nil {
				return err
			}
			out = append(out, strings.TrimSpace(fmt.Sprint(*cells[len(cells)-1].(*any))))
		}
		return rows.Err()
	}))
	return strings.Join(out, " | ")
}
