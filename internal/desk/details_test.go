package desk

import (
	"strings"
	"testing"

	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/testkit"
)

// oneRun makes the notice speak of one run, as a message about one does.
func oneRun(t *testing.T, d *Desk, n reminder.Notice) reminder.Notice {
	t.Helper()
	n.Key, n.LinkID, n.MessageID, n.Run = "one", strings.Repeat("12", 16), "<one@x>", "s/outer/top"
	n.Covers = n.Covers[:1]
	err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddNotices(t.Context(), today, []reminder.Notice{n})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func coaches(t *testing.T, d *Desk) (cs []coach.Coach) {
	t.Helper()
	err := d.DB.View(t.Context(), func(tx *store.Tx) (err error) { cs, err = tx.Coaches(t.Context(), "main"); return err })
	if err != nil {
		t.Fatal(err)
	}
	return cs
}

// Done with its day, what was put on, and a reading: all of it is on record at once.
func TestDoneWithDetails(t *testing.T) {
	d, n := setup(t)
	n = oneRun(t, d, n)
	tok := token(t, d, n, reminder.Done)
	for name, bad := range map[string]Details{"tomorrow": {Day: (today + 1).String()},
		"long ago": {Day: (today - 300).String()}, "no day": {Day: "soon"}, "no unit": {Height: "17"},
		"too high": {Height: "3 ft"}, "a product of its own": {Product: "magic"}} {
		if _, err := d.Answer(t.Context(), tok, bad); fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if k := look(t, d); len(k.services)+len(k.answers) != 0 {
		t.Fatalf("a bad answer left %+v", k)
	}
	if _, err := d.Answer(t.Context(), tok, Details{Day: (today - 4).String(), Product: "water_based",
		Height: "11/16 in"}); err != nil {
		t.Fatal(err)
	}
	c := coaches(t, d)[0]
	if len(c.Services) != 1 || c.Services[0].Day != today-4 || !strings.Contains(c.Services[0].Note,
		"a water-based protectant") || c.Services[0].Run != "outer/top" {
		t.Errorf("services %+v", c.Services)
	}
	if r := c.Readings; len(r) != 1 || r[0].Kind != coach.BulbHeight || r[0].Value < 17.46 || r[0].Value > 17.47 ||
		r[0].By != "owner" || r[0].Run != "outer/top" || r[0].Day != today-4 {
		t.Errorf("readings %+v", r)
	}
}

// A coach that was sold is silent for its old people and comes back with new ones,
// or when it was a mistake.
func TestSoldAndMoved(t *testing.T) {
	d, n := setup(t)
	if err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		return tx.SaveAccount(t.Context(), coach.Account{ID: "main", Name: "A Shop", Postal: "1 Road", Zone: "America/Denver",
			Email: "shop@example.org"})
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Answer(t.Context(), token(t, d, n, reminder.Moved), Details{Where: "Bend,\r\noregon"}); err != nil {
		t.Fatal(err)
	}
	if c := coaches(t, d)[0]; c.Sold != 0 {
		t.Error("moved is not sold")
	}
	for range 2 { // pressed twice
		if _, err := d.Answer(t.Context(), token(t, d, n, reminder.Sold), Details{}); err != nil {
			t.Fatal(err)
		}
	}
	if c := coaches(t, d)[0]; c.Sold != today {
		t.Errorf("sold on %s", c.Sold)
	}
	k := look(t, d)
	shop := 0
	for key, state := range k.states {
		if key == "n" && state != string(reminder.Withdrawn) {
			t.Errorf("the reminder is %s", state)
		}
		if strings.HasPrefix(key, "sold|") || strings.HasPrefix(key, "moved|") {
			shop++
		}
	}
	if shop != 2 {
		t.Errorf("%d mails to the shop: %v", shop, k.states)
	}
	rows, err := d.Queue(t.Context(), "main", Open, 10)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if strings.HasPrefix(r.Key, "moved|") &&
			!strings.Contains(r.Text, "Where:   Bend, OR (they wrote \"Bend, oregon\")\n") {
			t.Errorf("the shop reads %q", r.Text)
		}
	}
	again := func(file string) civilDate {
		c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
			intake.File{Name: "a.yaml", Data: []byte(file)})
		if _, err := d.Import(t.Context(), "main", c); err != nil {
			t.Fatal(err)
		}
		return civilDate(coaches(t, d)[0].Sold)
	}
	if sold := again(scenario); sold == 0 {
		t.Error("the same file again revived the coach for its old people")
	}
	if err := d.Resume(t.Context(), "main", "ann@example.org"); err != nil || coaches(t, d)[0].Sold != 0 {
		t.Errorf("taken back: %v", err)
	}
	if _, err := d.Answer(t.Context(), token(t, d, n, reminder.Sold), Details{}); err != nil {
		t.Fatal(err)
	}
	if sold := again(strings.Replace(scenario, "ann@example.org", "new@example.org", 1)); sold != 0 {
		t.Error("the new owner's coach is still sold")
	}
	// A link of the former owner means nothing for the coach of the new one.
	if q, err := d.Answer(t.Context(), token(t, d, n, reminder.Sold), Details{}); err != nil || !q.Others ||
		coaches(t, d)[0].Sold != 0 {
		t.Errorf("%v: the former owner sold it again: %+v", err, q.Others)
	}
}

type civilDate int
