// Package store keeps everything in PostgreSQL or SQLite: it owns the SQL, the
// transactions and the schema. One query text serves both databases.
//
// A coach is stored as one document, written and versioned as a whole (doc.go), with what
// it is searched by in columns and in the table part. What people send in stands in tables
// of its own and is merged when a coach is read. For people's own SQL there are the views
// seal_part, seal_stay and seal_reading, whose columns stay (migration 18); every other
// table may change with each version.
//
// It imports what is stored (coach, level, plan, projection, reminder, season), row 0 and
// migrations. Packages access, cycle, desk, webhook, daemon and cli call it; web, api and
// delivery do not.
package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/jmoiron/sqlx"
	"github.com/lib/pq"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	sqlite "modernc.org/sqlite"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
)

// dialect is every difference between the two databases. If a further query
// needs a difference, it goes here and storetest gains a case.
type dialect struct {
	name     string
	patience string             // bounds what a transaction waits for locks, in milliseconds; "": cannot
	lock     string             // appended to a SELECT of an account that others must wait for
	position string             // function of a text and a part of it: where that begins, or 0
	snapshot sql.IsolationLevel // at which all reads of a transaction see one moment
	copies   bool               // has COPY
	lookUp   lookUp             // asks for coaches of an account by a list of values
	river    func(*sql.DB) riverdriver.Driver[*sql.Tx]
}

var (
	postgres = dialect{
		name: "postgres", patience: "SET LOCAL lock_timeout = %d", lock: " FOR NO KEY UPDATE", position: "strpos",
		snapshot: sql.LevelRepeatableRead, copies: true, lookUp: lookUpEach,
		river: func(db *sql.DB) riverdriver.Driver[*sql.Tx] { return riverdatabasesql.New(db) },
	}
	embedded = dialect{
		name: "sqlite", position: "instr", lookUp: lookUpAll,
		river: func(db *sql.DB) riverdriver.Driver[*sql.Tx] { return riversqlite.New(db) },
	}
)

// lookUp is a query for those coaches of an account whose column has one of some values, at
// most so many for each of them. Conditions may follow.
type lookUp func(columns, column string, most int, id coach.AccountID, values []string) (query string, args []any)

// lookUpEach finds the coaches of one value after the other by their index. While
// PostgreSQL has no statistics, as during the first backfill, it would read the whole
// account for each list of values; the limit keeps it from that.
func lookUpEach(
	columns, column string, most int, id coach.AccountID, values []string,
) (query string, args []any) {
	return fmt.Sprintf(`SELECT %s FROM unnest(?::text[]) AS n (name) CROSS JOIN LATERAL (
		SELECT * FROM coach WHERE account_id = ? AND %s = n.name LIMIT %d) AS c WHERE true`, columns, column, most),
		[]any{pq.Array(values), id}
}

// lookUpAll leaves the limit out: SQLite uses the index anyway.
func lookUpAll(columns, column string, _ int, id coach.AccountID, values []string) (query string, args []any) {
	args = []any{id}
	for _, v := range values {
		args = append(args, v)
	}
	return `SELECT ` + columns + ` FROM coach WHERE account_id = ? AND ` + column + ` IN (` + marks(len(values)) + `)`, args
}

// sqlx knows the placeholders of "sqlite3" only, which is the name of another driver.
func init() { sqlx.BindDriver("sqlite", sqlx.QUESTION) }

// DB is an open database.
type DB struct {
	db   *sqlx.DB
	d    dialect
	Now  func() time.Time // replaced in tests
	turn chan struct{}    // full while somebody updates a database that has one writer; nil: it has many

	// LoseFirst makes each update run twice: its first run is rolled back where it would
	// commit, as if it had lost against another. Tests set it to find functions that count
	// or collect over both runs.
	LoseFirst bool
}

// Tx is one transaction. Everything it writes carries the same instant.
type Tx struct {
	tx  *sqlx.Tx
	d   dialect
	now time.Time
}

// OpenPostgres opens a PostgreSQL database by its connection string.
func OpenPostgres(dsn string) (*DB, error) {
	if err := checkDSN(dsn); err != nil {
		return nil, err
	}
	db, err := open("postgres", dsn, postgres)
	if err == nil {
		db.db.SetMaxOpenConns(20)
	}
	return db, err
}

// OpenSQLite opens, or makes, the embedded database in a file. One process may
// write at a time; others wait up to ten seconds.
func OpenSQLite(path string) (*DB, error) {
	if err := CheckFolder(path); err != nil {
		return nil, err
	}
	keepPrivate(path)
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath()}
	u.RawQuery = "_pragma=foreign_keys(1)&_pragma=busy_timeout(10000)&_pragma=journal_mode(wal)" +
		"&_pragma=synchronous(normal)&_txlock=immediate"
	db, err := open("sqlite", u.String(), embedded)
	if err == nil {
		// The job library's writers hold some connections while they wait for a pass, and
		// readers must find others.
		db.db.SetMaxOpenConns(16)
		db.turn = make(chan struct{}, 1)
	}
	return db, err
}

// CheckFolder reports a database file whose folder does not exist: the driver
// would only say that it cannot open the file.
func CheckFolder(path string) error {
	dir := filepath.Dir(path)
	if st, err := os.Stat(dir); err != nil || !st.IsDir() {
		return fault.New(fault.Invalid, fmt.Sprintf("the folder %s of the database file does not exist", dir),
			"Create the folder, or change store.path.")
	}
	return nil
}

func open(driver, dsn string, d dialect) (*DB, error) {
	db, err := sqlx.Open(driver, dsn)
	if err != nil {
		return nil, &fault.Error{Op: "store.Open", Kind: fault.Unavailable, Err: err}
	}
	return &DB{db: db, d: d, Now: time.Now}, nil
}

// Name returns "postgres" or "sqlite".
func (db *DB) Name() string { return db.d.name }

// River returns the driver of the job library over the same connections.
func (db *DB) River() riverdriver.Driver[*sql.Tx] { return db.d.river(db.db.DB) }

// Close closes the connections.
func (db *DB) Close() error { return db.db.Close() }

// Ping reports whether the database answers.
func (db *DB) Ping(ctx context.Context) error {
	if err := db.db.PingContext(ctx); err != nil {
		f := &fault.Error{Op: "store.Ping", Kind: fault.Unavailable, Msg: "the database cannot be used", Hint: hintOf(err),
			Err: err}
		if f.Hint == "" {
			f.Msg, f.Hint = "the database does not answer",
				"Check that it runs and that `store:` in the configuration points to it."
		}
		return f
	}
	return nil
}

// Update runs f in a transaction and commits if f returns nil. f must not outlive the call,
// and must not use the transaction in goroutines. A transaction that lost against another
// is run again, up to four times, so f must set what it returns anew each time.
//
// On PostgreSQL the isolation level is READ COMMITTED: each statement sees what was
// committed when it began. So an f that decides by what it reads locks the account first
// (Account with lock) and reads after that. Locks are taken in one order, which keeps two
// updates from waiting for each other: the account, then rows of notices, then the head of
// the events (AddEvents), which is last. On SQLite updates run one after the other, each of
// them alone from its beginning (BEGIN IMMEDIATE), and need no order.
//
// An update waits for others as long as ctx lives, or as Impatient says.
func (db *DB) Update(ctx context.Context, f func(*Tx) error) error {
	done, err := db.takeTurn(ctx)
	if err != nil {
		return failed("store.Update", err)
	}
	defer done()
	return db.tries(ctx, nil, f)
}

// View runs f in a transaction that only reads. It takes no lock, so pages, metrics and
// schedules never make a pass wait, nor wait for one. The isolation level is REPEATABLE
// READ on PostgreSQL, and SQLite's readers have the same: all of f sees one moment, so that
// an archive or a page never holds half of a change. PostgreSQL refuses a write in f.
func (db *DB) View(ctx context.Context, f func(*Tx) error) error {
	return db.tries(ctx, &sql.TxOptions{ReadOnly: true, Isolation: db.d.snapshot}, f)
}

// tries runs a transaction until it is not lost against another, each time after a longer
// pause: 10, 20, 40 and 80 ms.
func (db *DB) tries(ctx context.Context, opts *sql.TxOptions, f func(*Tx) error) (err error) {
	begun := time.Now()
	most, bounded := patience(ctx)
	for try := 0; ; try++ {
		lose := db.LoseFirst && opts == nil && try == 0
		if err = db.once(ctx, opts, lose, f); err == nil || try == 4 || !lostRace(err) {
			return err
		}
		if bounded && time.Since(begun) > most {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(time.Duration(10<<try) * time.Millisecond):
		}
	}
}

func (db *DB) once(ctx context.Context, opts *sql.TxOptions, lose bool, f func(*Tx) error) error {
	tx, err := db.db.BeginTxx(ctx, opts)
	if err != nil {
		return failed("store.Update", err)
	}
	defer tx.Rollback() //nolint:errcheck // no-op after Commit
	// Readers wait for nobody, and SQLite's writers have waited for their turn already.
	if most, bounded := patience(ctx); bounded && opts == nil && db.d.patience != "" {
		if _, err := tx.ExecContext(ctx, fmt.Sprintf(db.d.patience, max(1, most.Milliseconds()))); err != nil {
			return failed("store.Update", err)
		}
	}
	// Microseconds are what both databases store: an instant that is read is the one written.
	if err := f(&Tx{tx, db.d, db.Now().UTC().Truncate(time.Microsecond)}); err != nil {
		return err
	}
	if lose {
		return errLost
	}
	if err := tx.Commit(); err != nil {
		return failed("store.Update", err)
	}
	return nil
}

var errLost = errors.New("lost on purpose")

// lostRace reports a deadlock, a serialization failure or a busy file.
func lostRace(err error) bool {
	if errors.Is(err, errLost) {
		return true
	}
	if e, ok := errors.AsType[*pq.Error](err); ok {
		return e.Code == "40001" || e.Code == "40P01"
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && e.Code()&0xff == 5 // SQLITE_BUSY
}

// taken reports whether a row was refused because another has its key.
func taken(err error) bool {
	if e, ok := errors.AsType[*pq.Error](err); ok {
		return e.Code == "23505"
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && (e.Code() == 2067 || e.Code() == 1555) // SQLITE_CONSTRAINT_UNIQUE, _PRIMARYKEY
}

// kindOf says what a caller may do about a database error.
func kindOf(err error) fault.Kind {
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fault.NotFound
	case busy(err), away(err):
		return fault.Unavailable
	default:
		return fault.Internal
	}
}

// away reports whether the database was not there, or went away: connections refused
// or cut, starting up, shutting down, out of connections or disk (classes 08, 53 and
// 57P of the SQLSTATE codes).
func away(err error) bool {
	if pe, ok := errors.AsType[*pq.Error](err); ok {
		code := string(pe.Code)
		return strings.HasPrefix(code, "08") || strings.HasPrefix(code, "53") || strings.HasPrefix(code, "57P")
	}
	if _, ok := errors.AsType[net.Error](err); ok {
		return true
	}
	return errors.Is(err, driver.ErrBadConn) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNRESET) ||
		strings.Contains(err.Error(), "connection refused") || strings.Contains(err.Error(), "disk is full")
}

// fail wraps an error of a query with its operation.
func fail(op string, errp *error) {
	if *errp != nil {
		if _, ok := errors.AsType[*fault.Error](*errp); ok {
			fault.In(op, errp)
			return
		}
		*errp = failed(op, *errp)
	}
}

// failed is the error of an operation, with words for a person who may try again.
func failed(op string, err error) error {
	e := &fault.Error{Op: op, Kind: kindOf(err), Hint: hintOf(err), Err: err}
	switch {
	case busy(err):
		e.Msg, e.Hint = "other work on these records is not finished yet", "Nothing was changed. Try again in a few seconds."
	case e.Hint == "" && away(err):
		e.Msg, e.Hint = "the database does not answer", "Try again in a minute."
	}
	return e
}

// SQL returns the transaction of the driver, for the job library, which adds its rows in
// the same transaction as ours, and for tests. All other SQL stands in this package.
func (tx *Tx) SQL() *sqlx.Tx { return tx.tx }

// exec, get and list run a statement that is written with ? for its values; both databases
// have it in their own style.
func (tx *Tx) exec(ctx context.Context, text string, args ...any) (int64, error) {
	res, err := tx.tx.ExecContext(ctx, tx.tx.Rebind(text), args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

func (tx *Tx) list(ctx context.Context, into any, text string, args ...any) error {
	return tx.tx.SelectContext(ctx, into, tx.tx.Rebind(text), args...)
}

// get reads one row; that there is none is an error of kind NotFound.
func (tx *Tx) get(ctx context.Context, into any, text string, args ...any) error {
	return tx.tx.GetContext(ctx, into, tx.tx.Rebind(text), args...)
}

// micro is how instants are stored.
func micro(t time.Time) int64 { return t.UnixMicro() }

func fromMicro(n int64) time.Time { return time.UnixMicro(n).UTC() }

// Now returns the instant that everything of this transaction carries.
func (tx *Tx) Now() time.Time { return tx.now }
