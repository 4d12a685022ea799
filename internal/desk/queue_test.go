package desk

import (
	"testing"

	"sealmanac/internal/fault"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
)

func TestQueue(t *testing.T) {
	d, n := setup(t)
	rows, err := d.Queue(t.Context(), "main", Open, 10)
	if err != nil || len(rows) != 2 {
		t.Fatalf("%d open, %v", len(rows), err)
	}
	if r, err := d.TakeBack(t.Context(), "main", n.LinkID[:8]); err != nil || r.Key != "n" {
		t.Fatalf("%+v %v", r.Key, err)
	}
	if k := look(t, d); k.states["n"] != string(reminder.Withdrawn) {
		t.Errorf("states %v", k.states)
	}
	if _, err := d.TakeBack(t.Context(), "main", n.LinkID); fault.KindOf(err) != fault.Conflict {
		t.Errorf("taken back twice: %v", err)
	}
	if _, err := d.Release(t.Context(), "main", n.MessageID); err != nil {
		t.Error(err)
	}
	if k := look(t, d); k.states["n"] != string(reminder.Queued) {
		t.Errorf("states %v", k.states)
	}
	for word, kind := range map[string]fault.Kind{"zzzzzzzz": fault.NotFound, "ab": fault.NotFound} {
		if _, err := d.Find(t.Context(), "main", word); fault.KindOf(err) != kind {
			t.Errorf("%q: %v", word, err)
		}
	}
	if _, err := d.Find(t.Context(), "other", n.LinkID); fault.KindOf(err) != fault.NotFound {
		t.Errorf("through the wall: %v", err)
	}
	// Nobody who said stop is written to by the back door.
	if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		return tx.OptOut(t.Context(), "main", n.Person)
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Release(t.Context(), "main", n.LinkID); fault.KindOf(err) != fault.Conflict {
		t.Errorf("released to a person who stopped: %v", err)
	}
}
