package storetest

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// Kinds are the databases that every promise holds on.
var Kinds = []string{"sqlite", "postgres"}

// Fresh returns a fresh, migrated database of a kind, closed when the test ends.
func Fresh(t testing.TB, kind string) *store.DB {
	t.Helper()
	var db *store.DB
	var err error
	if kind == "postgres" {
		db, err = store.OpenPostgres(testkit.Postgres(t))
	} else {
		db, err = store.OpenSQLite(filepath.Join(t.TempDir(), "x.db"))
	}
	db = Migrated(t, db, err)
	db.LoseFirst = os.Getenv("SEALMANAC_TEST_LOSE") != ""
	return db
}

// Migrated returns a database that was just opened, migrated and closed when the test
// ends.
func Migrated(t testing.TB, db *store.DB, err error) *store.DB {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	if err := db.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	return db
}

// Each runs a test on a fresh database of each kind.
func Each(t *testing.T, f func(t *testing.T, db *store.DB)) {
	t.Helper()
	for _, kind := range Kinds {
		t.Run(kind, func(t *testing.T) { f(t, Fresh(t, kind)) })
	}
}

// Stalled returns once n transactions of the database wait for locks that others hold.
// On SQLite nobody can see who waits, and it returns at once.
func Stalled(t testing.TB, db *store.DB, n int) {
	t.Helper()
	for waiting := 0; waiting < n && db.Name() == "postgres"; time.Sleep(5 * time.Millisecond) {
		err := db.View(t.Context(), func(tx *store.Tx) error {
			return tx.SQL().GetContext(t.Context(), &waiting, `
				SELECT COUNT(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'`)
		})
		if err != nil {
			t.Error(err)
			return
		}
	}
}

// Best is PostgreSQL if a server for tests is named, else SQLite: for benchmarks.
func Best() string {
	if testkit.HasPostgres() {
		return "postgres"
	}
	return "sqlite"
}
