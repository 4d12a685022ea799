package daemon

import (
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/settings"
	"sealmanac/internal/store"
)

// An account that was never dated is dated at once, also between its midnight and the
// hour of the nightly pass; one that was waits for that hour.
func TestFirstDayDoesNotWait(t *testing.T) {
	databases(t, func(t *testing.T, conf func(*settings.Config)) {
		o := options(t, nil, conf)
		here, err := time.LoadLocation("America/Denver")
		if err != nil {
			t.Fatal(err)
		}
		now := time.Date(2026, 3, 3, 0, 4, 0, 0, here)
		o.Now = func() time.Time { return now }
		d, err := New(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close(t.Context()) //nolint:errcheck // the test is over
		accounts := []coach.Account{{ID: "new", Name: "A", Postal: "1", Zone: "America/Denver"},
			{ID: "old", Name: "B", Postal: "2", Zone: "America/Denver"}}
		if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
			for _, a := range accounts {
				if err := tx.SaveAccount(t.Context(), a); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if _, _, err := d.RunPass(t.Context(), "old", civil.Of(2026, 3, 2)); err != nil {
			t.Fatal(err)
		}
		asked := func(want ...coach.AccountID) {
			t.Helper()
			if err := d.catchUp(t.Context(), accounts); err != nil {
				t.Fatal(err)
			}
			if len(d.asked) != len(want) {
				t.Errorf("at %v passes are asked for: %v", now, d.asked)
			}
			for _, w := range want {
				if d.asked[w] == nil || d.asked[w].day != "2026-03-03" {
					t.Errorf("at %v no pass is asked for: %s", now, w)
				}
			}
		}
		asked("new")
		now = time.Date(2026, 3, 3, 2, 29, 59, 0, here)
		asked("new")
		now = time.Date(2026, 3, 3, 2, 30, 0, 0, here)
		asked("new", "old")
	})
}
