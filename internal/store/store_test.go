package store_test

import (
	"path/filepath"
	"strings"
	"testing"

	"sealmanac/internal/fault"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

func TestSQLite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) func() *store.DB {
		path := filepath.Join(t.TempDir(), "a shop's #1.db") // a name that needs escaping
		return opener(t, func() (*store.DB, error) { return store.OpenSQLite(path) })
	})
}

func TestPostgres(t *testing.T) {
	storetest.Run(t, func(t *testing.T) func() *store.DB {
		dsn := testkit.Postgres(t)
		return opener(t, func() (*store.DB, error) { return store.OpenPostgres(dsn) })
	})
}

func opener(t *testing.T, open func() (*store.DB, error)) func() *store.DB {
	return func() *store.DB {
		t.Helper()
		db, err := open()
		return storetest.Migrated(t, db, err)
	}
}

func TestNewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.db")
	db := opener(t, func() (*store.DB, error) { return store.OpenSQLite(path) })()
	err := db.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.SQL().ExecContext(t.Context(), `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, 1)`)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{db.Migrate(t.Context()), db.Ready(t.Context())} {
		if err == nil || !strings.Contains(err.Error(), "version 99999") || !strings.Contains(fault.HintOf(err),
			"newer sealmanac") {
			t.Errorf("got %v, hint %q", err, fault.HintOf(err))
		}
	}
}

func TestUnmigratedIsNotReady(t *testing.T) {
	db, err := store.OpenSQLite(filepath.Join(t.TempDir(), "x.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Ready(t.Context()); err == nil || !strings.Contains(fault.HintOf(err), "migrate") {
		t.Errorf("got %v, hint %q", err, fault.HintOf(err))
	}
}
