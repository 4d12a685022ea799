package store_test

import (
	"bytes"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// made is a database file with an account in it, and its folder.
func made(t *testing.T) (path string, db *store.DB) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "x.db")
	db, err := store.OpenSQLite(path)
	fatal(t, err)
	t.Cleanup(func() { _ = db.Close() })
	fatal(t, db.Migrate(t.Context()))
	fatal(t, db.Update(t.Context(), func(tx *store.Tx) error {
		return tx.SaveAccount(t.Context(), coach.Account{ID: "a", Name: strings.Repeat("x", 40_000), Postal: "1 Road"})
	}))
	return path, db
}

// The file holds hashes of passwords, keys and addresses: nobody else on the machine may
// read it, nor what SQLite puts beside it, however careless the umask is.
func TestFileIsPrivate(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o022))
	path, db := made(t)
	private := func() {
		t.Helper()
		for _, f := range []string{path, path + "-wal", path + "-shm"} {
			st, err := os.Stat(f)
			fatal(t, err)
			if st.Mode().Perm() != 0o600 {
				t.Errorf("%s is %v", filepath.Base(f), st.Mode())
			}
		}
	}
	private()
	for _, f := range []string{path, path + "-wal", path + "-shm"} { // as an older program left them
		fatal(t, os.Chmod(f, 0o644))
	}
	again, err := store.OpenSQLite(path)
	fatal(t, err)
	defer again.Close() //nolint:errcheck // nothing was written
	fatal(t, again.Ready(t.Context()))
	private()
	fatal(t, db.Close())
	fatal(t, again.Close())
	fatal(t, os.Chmod(path, 0o640)) // a group that makes backups is the operator's choice
	third, err := store.OpenSQLite(path)
	fatal(t, err)
	defer third.Close() //nolint:errcheck // nothing was written
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o640 {
		t.Errorf("%v %v", st.Mode(), err)
	}
}

// A file that cannot be used is told from a server that does not run: the hint says what
// helps.
func TestFileHints(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, path string)
		hint  string // a piece of it
	}{
		{"no database", func(t *testing.T, path string) {
			fatal(t, os.WriteFile(path, []byte(strings.Repeat("a letter, not a database\n", 400)), 0o600))
		}, "backup"},
		{"cut off", func(t *testing.T, path string) { fatal(t, os.Truncate(path, 5000)) }, "backup"},
		{"spoiled", func(t *testing.T, path string) {
			b, err := os.ReadFile(path)
			fatal(t, err)
			copy(b[100:], bytes.Repeat([]byte{0xff}, len(b)-100))
			fatal(t, os.WriteFile(path, b, 0o600))
		}, "backup"},
		{"of another program", func(t *testing.T, path string) {
			fatal(t, os.Remove(path))
			other, err := sql.Open("sqlite", path)
			fatal(t, err)
			_, err = other.Exec(`CREATE TABLE song (title TEXT)`)
			fatal(t, err)
			fatal(t, other.Close())
		}, "store.path"},
		{"a folder", func(t *testing.T, path string) {
			fatal(t, os.Remove(path))
			fatal(t, os.Mkdir(path, 0o700))
		}, "store.path"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path, db := made(t)
			fatal(t, db.Close())
			c.spoil(t, path)
			db, err := store.OpenSQLite(path)
			if err == nil {
				defer db.Close() //nolint:errcheck // it failed already
				err = db.Migrate(t.Context())
			}
			if err == nil {
				t.Fatal("it was taken")
			}
			if hint := fault.HintOf(err); !strings.Contains(hint, c.hint) || strings.Contains(hint, "it runs") {
				t.Errorf("%v\nhint: %s", err, hint)
			}
		})
	}
}

// A store that may only be read says so, as does a disk without space.
func TestReadOnlyHint(t *testing.T) {
	_, db := made(t)
	err := db.View(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.SQL().ExecContext(t.Context(), "PRAGMA query_only = 1"); err != nil {
			return err
		}
		// The connection goes on being used.
		defer tx.SQL().ExecContext(t.Context(), "PRAGMA query_only = 0") //nolint:errcheck // as it was
		return tx.SaveAccount(t.Context(), coach.Account{ID: "b", Name: "B", Postal: "2 Road"})
	})
	if hint := fault.HintOf(err); !strings.Contains(hint, "write") {
		t.Errorf("%v\nhint: %s", err, hint)
	}
}
