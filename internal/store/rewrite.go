package store

import (
	"context"
	"database/sql"
	"fmt"

	"github.com/jmoiron/sqlx"
	"github.com/pressly/goose/v3"

	"sealmanac/internal/coach"
)

// rewriteVersion is the migration that needs this program's types: it stands here and not
// beside the others.
const rewriteVersion = 19

// rewrite is the migration that brings every coach's document into its present shape and
// fills the columns beside it, which SQL cannot do on both databases from documents of
// several ages. It holds 500 documents in memory at a time and takes about as long as
// reading and writing each once. Other documents are few, and are rewritten when they are
// next saved: visits and plans by the next pass.
func (d dialect) rewrite() *goose.Migration {
	up := func(ctx context.Context, tx *sql.Tx) error { return d.rewriteCoaches(ctx, tx) }
	return goose.NewGoMigration(rewriteVersion, &goose.GoFunc{RunTx: up}, nil)
}

func (d dialect) rewriteCoaches(ctx context.Context, tx *sql.Tx) error {
	bind := func(text string) string { return sqlx.Rebind(sqlx.BindType(d.name), text) }
	save, err := tx.PrepareContext(ctx, bind(
		`UPDATE coach SET doc = ?, feed = ?, danger = ? WHERE account_id = ? AND coach_id = ?`))
	if err != nil {
		return err
	}
	defer save.Close() //nolint:errcheck // the transaction ends
	type row struct{ account, coach, doc string }
	var last row
	for {
		rows, err := tx.QueryContext(ctx, bind(`SELECT account_id, coach_id, doc FROM coach
			WHERE (account_id, coach_id) > (?, ?) ORDER BY account_id, coach_id LIMIT 500`), last.account, last.coach)
		if err != nil {
			return err
		}
		var some []row
		for rows.Next() {
			var r row
			if err := rows.Scan(&r.account, &r.coach, &r.doc); err != nil {
				_ = rows.Close() // the error before it says more
				return err
			}
			some = append(some, r)
		}
		if err := rows.Err(); err != nil || len(some) == 0 {
			return err
		}
		for _, last = range some {
			doc, c, err := present(last.doc)
			if err != nil {
				return fmt.Errorf("coach %s of account %s: %w", last.coach, last.account, err)
			}
			feed, danger := searched(&c)
			if _, err := save.ExecContext(ctx, doc, feed, danger, last.account, last.coach); err != nil {
				return err
			}
		}
	}
}

// present returns a coach's document in its present shape, and the coach.
func present(doc string) (text string, c coach.Coach, err error) {
	if err := decode(doc, &c); err != nil {
		return "", c, err
	}
	text, err = encode(&c)
	return text, c, err
}
