package desk

import (
	"context"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

func noJobs(context.Context, *store.Tx, []reminder.Notice) error { return nil }

// passDuring records something and runs a pass that has to wait for it: the recording
// goes on only once the pass waits for the account.
func passDuring(t *testing.T, d *Desk, x Records) []reminder.Notice {
	t.Helper()
	tools, err := d.ToolsFor(t.Context(), "main")
	if err != nil {
		t.Fatal(err)
	}
	clock, locked, recorded := d.Now, make(chan struct{}), make(chan error)
	var asked atomic.Bool
	d.Now = func() time.Time { // Record asks for the day when it has the account
		if asked.CompareAndSwap(false, true) {
			close(locked)
			storetest.Stalled(t, d.DB, 1)
		}
		return clock()
	}
	go func() { recorded <- d.Record(t.Context(), "main", "m", "a", x) }()
	<-locked
	_, added, err := cycle.Pass(t.Context(), d.DB, tools, "main", today, noJobs)
	if err != nil {
		t.Error(err)
	}
	if err := <-recorded; err != nil {
		t.Error(err)
	}
	return added
}

// A pass that waited for the account plans with what was recorded meanwhile: a safety
// stop stays.
func TestPassSeesWhatItWaitedFor(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d := fresh(t, db)
		soft := coach.Reading{Day: today, Kind: coach.SoftFloor, Slide: "s", Value: 1, By: "shop"}
		passDuring(t, d, Records{Readings: []coach.Reading{soft}})
		err := db.View(t.Context(), func(tx *store.Tx) error {
			state, err := tx.BoardState(t.Context(), "main", "a")
			if err != nil {
				return err
			}
			ts, err := tx.TasksAfter(t.Context(), "main", "a", "", "", "9999-12-31", 100)
			stop := slices.ContainsFunc(ts, func(x store.TaskRow) bool { return x.Kind == string(coach.SafetyStop) })
			if !stop || state != cycle.OnHold {
				t.Errorf("a soft floor is on record; the board says %q, a safety stop is planned: %v", state, stop)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

// It does not remind anybody of work that was recorded as done meanwhile.
func TestPassKeepsWhatWasWithdrawn(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d := fresh(t, db)
		tools, _ := d.ToolsFor(t.Context(), "main")
		_, first, err := cycle.Pass(t.Context(), db, tools, "main", today, noJobs)
		if err != nil || len(first) != 1 {
			t.Fatalf("%d notices, %v", len(first), err)
		}
		n := first[0]
		slide, run, _ := strings.Cut(n.Run, "/")
		done := coach.Service{Day: today, Kind: n.Task, Slide: coach.SlideID(slide), Run: run, By: "shop"}
		again := passDuring(t, d, Records{Services: []coach.Service{done}})
		if slices.ContainsFunc(again, func(m reminder.Notice) bool { return m.Key == n.Key }) {
			t.Errorf("%s of %s was done, and its notice was made again", n.Task, n.Run)
		}
		err = db.View(t.Context(), func(tx *store.Tx) error {
			row, err := tx.NoticeByKey(t.Context(), "main", n.Key)
			if row.State != string(reminder.Withdrawn) {
				t.Errorf("the notice about work that is done is %s", row.State)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}
