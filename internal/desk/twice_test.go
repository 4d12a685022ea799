package desk

import (
	"slices"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
)

// events returns the kinds of an account's events, but for the first skip of them.
func events(t *testing.T, d *Desk, skip int) (out []string) {
	t.Helper()
	err := d.DB.View(t.Context(), func(tx *store.Tx) error {
		es, err := tx.Events(t.Context(), "main", 0, 100)
		for _, e := range es[min(skip, len(es)):] {
			out = append(out, e.Kind)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A button that is pressed twice makes one event: who reads events counts work once.
func TestPressedTwiceIsOneEvent(t *testing.T) {
	for kind, want := range map[reminder.AnswerKind]string{
		reminder.Done: "task.done", reminder.Book: "visit.asked", reminder.Later: "task.declined",
		reminder.Sold: "coach.transferred", reminder.Moved: "coach.moved", reminder.Stop: "notice.opted_out",
	} {
		t.Run(string(kind), func(t *testing.T) {
			d, n := setup(t)
			before := len(events(t, d, 0))
			for range 2 {
				if _, err := d.Answer(t.Context(), token(t, d, n, kind), Details{Where: "Tucson, AZ"}); err != nil {
					t.Fatal(err)
				}
			}
			if got := events(t, d, before); len(got) != 1 || got[0] != want {
				t.Errorf("pressed twice: %v", got)
			}
		})
	}
}

// An answer that says something new is an event of its own: another kind, a later day,
// or an appointment asked for from the next message.
func TestNewAnswerIsAnEvent(t *testing.T) {
	d, n := setup(t)
	next := n
	next.Key, next.LinkID, next.MessageID = "next", "cdcd0000cdcd0000cdcd0000cdcd0000", "<next@x>"
	before := len(events(t, d, 0))
	press := func(n reminder.Notice, k reminder.AnswerKind) {
		t.Helper()
		if _, err := d.Answer(t.Context(), token(t, d, n, k), Details{}); err != nil {
			t.Fatal(err)
		}
	}
	press(n, reminder.Later)
	press(n, reminder.Book)
	d.Now = func() time.Time { return today.Add(9).Time().Add(18 * time.Hour) }
	press(n, reminder.Later)
	if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today.Add(9), []reminder.Notice{next})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	press(next, reminder.Book)
	press(next, reminder.Done)
	want := []string{"task.declined", "visit.asked", "task.declined", "visit.asked", "task.done"}
	if got := events(t, d, before); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// The same when both presses arrive at once.
func TestPressedAtOnceIsOneEvent(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d := fresh(t, db)
		n := withNotices(t, d)
		before := len(events(t, d, 0))
		tok, pressed := token(t, d, n, reminder.Done), make(chan error)
		err := db.Update(t.Context(), func(tx *store.Tx) error {
			if _, err := tx.Account(t.Context(), "main", true); err != nil {
				return err
			}
			for range 2 { // both wait for the account and go on together
				go func() {
					_, err := d.Answer(t.Context(), tok, Details{})
					pressed <- err
				}()
			}
			storetest.Stalled(t, db, 2)
			return nil
		})
		for range 2 {
			if e := <-pressed; e != nil || err != nil {
				t.Error(e, err)
			}
		}
		if got := events(t, d, before); !slices.Equal(got, []string{"task.done"}) {
			t.Errorf("pressed twice at once: %v", got)
		}
	})
}

// Nor does a program make two events when it puts a task off twice.
func TestPutOffTwiceIsOneEvent(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d := fresh(t, db)
		tools, _ := d.ToolsFor(t.Context(), "main")
		if _, _, err := cycle.Pass(t.Context(), db, tools, "main", today, noJobs); err != nil {
			t.Fatal(err)
		}
		ts, err := d.TasksAfter(t.Context(), "main", "a", "", "", "9999-12-31", 1)
		if err != nil || len(ts) != 1 {
			t.Fatal(ts, err)
		}
		before := len(events(t, d, 0))
		for _, until := range []civil.Date{today + 30, today + 30, today + 60} {
			if _, err := d.AnswerTask(t.Context(), "main", "m", "a", ts[0].Key, "", reminder.Later, 0, until); err != nil {
				t.Fatal(err)
			}
		}
		if got := events(t, d, before); !slices.Equal(got, []string{"task.declined", "task.declined"}) {
			t.Errorf("put off until one day twice, then until another: %v", got)
		}
	})
}

// A notice of another program's making may have a short number.
func TestShortNumbers(t *testing.T) {
	d, n := setup(t)
	n.Key, n.LinkID, n.MessageID = "short", "ab12", "<short@x>"
	err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today, []reminder.Notice{n})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	before := len(events(t, d, 0))
	if err := d.Returned(t.Context(), n.LinkID, Return{Kind: Bounced, Words: "550 no such person"}); err != nil {
		t.Fatal(err)
	}
	if got := events(t, d, before); len(got) != 1 || got[0] != "notice.bounced" {
		t.Errorf("events %v", got)
	}
}
