package daemon

import (
	"testing"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

// A pass that waits for a worker, or that one works on, is not asked for again; one whose
// worker died is.
func TestPassesAreAskedForOnce(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		d, err := New(t.Context(), options(t, nil, conf))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close(t.Context()) //nolint:errcheck // it never started
		importDemo(t, d, "demo")
		do := func(f func(tx *store.Tx) error) {
			t.Helper()
			if err := d.DB.Update(t.Context(), f); err != nil {
				t.Fatal(err)
			}
		}
		var accounts []coach.Account
		do(func(tx *store.Tx) (err error) { accounts, err = tx.Accounts(t.Context()); return err })
		ask := func(want int, when string) {
			t.Helper()
			for _, a := range d.asked {
				a.next = time.Time{} // its time to be asked for again has come
			}
			if err := d.catchUp(t.Context(), accounts); err != nil {
				t.Fatal(err)
			}
			var jobs int
			do(func(tx *store.Tx) error {
				return tx.SQL().GetContext(t.Context(), &jobs, `SELECT COUNT(*) FROM river_job WHERE kind = 'pass'`)
			})
			if jobs != want {
				t.Errorf("%s there are %d jobs, want %d", when, jobs, want)
			}
		}
		ask(1, "at first")
		ask(1, "while it waits")
		do(func(tx *store.Tx) error {
			_, err := tx.SQL().ExecContext(t.Context(), `UPDATE river_job SET state = 'running' WHERE kind = 'pass'`)
			return err
		})
		key, _ := d.passJob(accounts[0])
		d.passing.Store(key, true)
		ask(1, "while it runs here")
		d.passing.Delete(key)
		if d.DB.Name() == "postgres" { // a replica of ours has the account
			do(func(tx *store.Tx) error {
				if _, err := tx.Account(t.Context(), "demo", true); err != nil {
					return err
				}
				ask(1, "while it runs elsewhere")
				return nil
			})
		}
		ask(2, "when its worker died")
		ask(2, "while the second waits")
	})
}
