package store_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// A full disk refuses the whole change and says so as something that passes; what
// was stored stays, and the next change works once there is room again.
func TestDiskFull(t *testing.T) {
	db, err := store.OpenSQLite(filepath.Join(t.TempDir(), "x.db"))
	fatal(t, err)
	t.Cleanup(func() { _ = db.Close() })
	fatal(t, db.Migrate(t.Context()))
	save := func(i int) error {
		return db.Update(t.Context(), func(tx *store.Tx) error {
			return tx.SaveAccount(t.Context(), coach.Account{ID: coach.AccountID(fmt.Sprint("a", i)),
				Name: strings.Repeat("x", 40_000), Postal: "1 Road"})
		})
	}
	limit := func(pages int) {
		fatal(t, db.Update(t.Context(), func(tx *store.Tx) error {
			most := fmt.Sprintf("PRAGMA max_page_count = %d", pages) // stands for the disk's size
			_, err := tx.SQL().ExecContext(t.Context(), most)
			return err
		}))
	}
	fatal(t, save(0))
	limit(1) // SQLite takes it as "no larger than now"
	n, failed := 1, error(nil)
	for ; n < 100 && failed == nil; n++ {
		failed = save(n)
	}
	f, ok := errors.AsType[*fault.Error](failed)
	if !ok || f.Kind != fault.Unavailable || !strings.Contains(fault.HintOf(failed), "Free space") {
		t.Fatalf("a full disk: %v", failed)
	}
	count := func() int {
		var as []coach.Account
		fatal(t, db.View(t.Context(), func(tx *store.Tx) (err error) { as, err = tx.Accounts(t.Context()); return err }))
		return len(as)
	}
	if got := count(); got != n-1 {
		t.Errorf("%d accounts after the refusal, want %d", got, n-1)
	}
	limit(1 << 30)
	fatal(t, save(n))
	if got := count(); got != n {
		t.Errorf("%d accounts after there was room again, want %d", got, n)
	}
}
