package desk

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/exposure"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
)

// shopDesk is a desk with rules on a store, whose clock stands at noon in Denver on a
// Friday: no day on which ordinary mails leave.
func shopDesk(t *testing.T, db *store.DB) (*Desk, civil.Date) {
	t.Helper()
	friday := civil.Of(2026, 3, 6)
	now := func() time.Time { return friday.Time().Add(19 * time.Hour) }
	db.Now = now
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(testkit.Tables(t)),
		Domain: "example.org"}
	signer := &Signer{Key: []byte(strings.Repeat("k", 32)), BaseURL: "https://x.example.org"}
	tools.Links = signer
	return &Desk{DB: db, Now: now, Snooze: 21, Places: testkit.Tables(t), Signer: signer,
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}, friday
}

// fleet imports n coaches that are overdue for care, each with an owner and, when it is
// named, the same manager.
func fleet(t *testing.T, d *Desk, from, n int, manager string) {
	t.Helper()
	var b strings.Builder
	b.WriteString("shop: {name: A Shop, postal: 1 Road, zone: America/Denver, phone: 555-0100}\ncoaches:\n")
	for i := from; i < from+n; i++ {
		fmt.Fprintf(&b, "  - coach: c%02d\n    people: [{name: Ann %d, email: p%d@example.org, phone: 555-0101}%s]\n", i, i,
			i, manager)
		b.WriteString("    stays: [{place: \"Yuma, AZ\", from: 2024-01-01}]\n    slides: [{slide: s, edges: [{run: " +
			"outer/top, construction: track, fitted: 2024-01-01, parts: [{part: bulb, material: tpv}]}]}]\n")
	}
	c := intake.Read(intake.Options{Today: civil.Of(2026, 3, 6), Places: testkit.Tables(t)}, nil,
		intake.File{Name: "f.yaml", Data: []byte(b.String())})
	if _, err := d.Import(t.Context(), "main", c); err != nil {
		t.Fatal(err)
	}
}

func pass(t *testing.T, d *Desk, on civil.Date) []reminder.Notice {
	t.Helper()
	tools, err := d.ToolsFor(t.Context(), "main")
	if err != nil {
		t.Fatal(err)
	}
	_, added, err := cycle.Pass(t.Context(), d.DB, tools, "main", on,
		func(context.Context, *store.Tx, []reminder.Notice) error {
			return nil
		})
	if err != nil {
		t.Fatal(err)
	}
	return added
}

func claimable(t *testing.T, d *Desk) (n int) {
	t.Helper()
	err := d.DB.Update(t.Context(), func(tx *store.Tx) error {
		rows, err := tx.NoticesIn(t.Context(), "main", []reminder.State{reminder.Queued}, 0, "", 1000)
		if err != nil {
			return err
		}
		for _, r := range rows {
			if _, _, err := tx.Hurry(t.Context(), "main", r.Key, tx.Now()); err != nil {
				return err
			}
			if _, ok, err := tx.Claim(t.Context(), "main", r.Key, time.Minute); err != nil {
				return err
			} else if ok {
				n++
			}
		}
		return fault.New(fault.Internal, "only a try", "")
	})
	if fault.SentenceOf(err) != "only a try" {
		t.Fatal(err)
	}
	return n
}

func sending(t *testing.T, d *Desk) Sending {
	t.Helper()
	s, err := d.Sending(t.Context(), "main")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A new account writes to nobody before somebody has started it; then what is due today
// leaves, once.
func TestNewAccountBeginsPaused(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 3, "")
		if added := pass(t, d, today); len(added) != 0 || claimable(t, d) != 0 {
			t.Fatalf("%d messages of a new account may leave", len(added))
		}
		s := sending(t, d)
		if !s.Paused || len(s.Held) != 1 || s.Held[0].Messages != 3 || s.Held[0].People != 3 ||
			s.Held[0].Hold != reminder.HoldPaused {
			t.Fatalf("%+v", s)
		}
		rows, err := d.HeldNotices(t.Context(), "main", reminder.HoldPaused, 10)
		if err != nil || len(rows) != 3 || rows[0].Text == "" {
			t.Fatalf("%d messages can be read: %v", len(rows), err)
		}
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		if added := pass(t, d, today); len(added) != 3 || claimable(t, d) != 3 {
			t.Errorf("started, %d messages are made and %d may leave", len(added), claimable(t, d))
		}
		if s := sending(t, d); s.Paused || len(s.Held) != 0 {
			t.Errorf("started: %+v", s)
		}
		if added := pass(t, d, today+1); len(added) != 0 {
			t.Errorf("the next day makes %d again", len(added))
		}
		// Another import into it is no new account.
		fleet(t, d, 3, 1, "")
		if s := sending(t, d); s.Paused {
			t.Error("an import paused an account that sends")
		}
	})
}

// An unusual day waits for a decision: what it holds can be sent, or withdrawn by import.
func TestUnusualDayIsHeld(t *testing.T) {
	manager := ", {name: Rosa, email: rosa@example.org, role: manager}"
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 1, "")
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		if added := pass(t, d, today); len(added) != 1 {
			t.Fatalf("%d messages", len(added))
		}
		fleet(t, d, 10, 11, manager)
		if added := pass(t, d, today); len(added) != 0 || claimable(t, d) != 1 {
			t.Fatalf("eleven to one person: %d messages leave, %d may", len(added), claimable(t, d))
		}
		s := sending(t, d)
		if len(s.Held) != 1 || s.Held[0].Hold != reminder.HoldUnusual || s.Held[0].Messages != 22 || s.Held[0].Most != 11 ||
			s.Held[0].ToOne != "rosa@example.org" || len(s.Held[0].Batches) != 1 {
			t.Fatalf("%+v", s.Held)
		}
		if added := pass(t, d, today+1); len(added) != 0 {
			t.Errorf("held messages are made again: %d", len(added))
		}
		if err := d.ReleaseHeld(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		if added := pass(t, d, today); len(added) != 22 {
			t.Errorf("released, %d of 22 messages leave", len(added))
		}
		if err := d.ReleaseHeld(t.Context(), "main", "boss"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("nothing is held, yet: %v", err)
		}
		// What another day brings is decided on its own, and withdrawn it rests.
		fleet(t, d, 30, 12, manager)
		if added := pass(t, d, today+1); len(added) != 0 {
			t.Fatalf("%d messages leave", len(added))
		}
		batch := sending(t, d).Held[0].Batches
		if len(batch) != 1 || batch[0].Messages != 24 || batch[0].Coaches != 12 {
			t.Fatalf("%+v", batch)
		}
		n, err := d.WithdrawHeld(t.Context(), "main", "boss", reminder.HoldUnusual, batch[0].Batch, today+30)
		if err != nil || n != 24 || len(sending(t, d).Held) != 0 {
			t.Fatalf("%d withdrawn: %v", n, err)
		}
		for _, day := range []civil.Date{today + 1, today + 2, today + 29} {
			if added := pass(t, d, day); len(added) != 0 {
				t.Errorf("%s: %d messages leave", day, len(added))
			}
			err := db.View(t.Context(), func(tx *store.Tx) error {
				rows, err := tx.HeldNotices(t.Context(), "main", reminder.HoldUnusual, "", 100)
				for _, r := range rows {
					if r.Coach >= "c30" { // what the coaches before hear next is no part of it
						t.Errorf("%s: a message of work that rests: %s", day, r.TaskKey)
					}
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		pass(t, d, today+30)
		if s := sending(t, d); len(s.Held) != 1 || s.Held[0].Messages < 24 {
			t.Errorf("after the rest: %+v", s.Held)
		}
	})
}

// A released day sends what was seen, and a tenth more; what comes beyond that is held.
func TestReleaseIsForWhatWasSeen(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 60, "")
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		pass(t, d, today)
		if err := d.ReleaseHeld(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		if added := pass(t, d, today); len(added) != 60 {
			t.Fatalf("%d of 60 leave", len(added))
		}
		fleet(t, d, 60, 6, "")
		if added := pass(t, d, today); len(added) != 6 {
			t.Errorf("a tenth more: %d leave", len(added))
		}
		fleet(t, d, 70, 1, "")
		if added := pass(t, d, today); len(added) != 0 || sending(t, d).Held[0].Messages != 1 {
			t.Errorf("beyond a tenth: %d leave", len(added))
		}
	})
}

// A danger that the shop records is a call and a message in the same transaction, on any
// day of the week; the message waits two hours for a decision, and not on an unusual day's.
func TestSafetyStopAtOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		var jobs int // of the last run: a transaction that lost runs again
		d.Enqueue = func(_ context.Context, _ *store.Tx, ns []reminder.Notice) error { jobs = len(ns); return nil }
		fleet(t, d, 0, 1, ", {name: Vi, phone: 555-0102}")
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		danger := Records{Readings: []coach.Reading{{Day: today, Kind: coach.SoftFloor, Slide: "s", Value: 1, By: "shop"}}}
		if err := d.Record(t.Context(), "main", "tech", "c00", danger); err != nil {
			t.Fatal(err)
		}
		open, err := d.Queue(t.Context(), "main", Open, 10)
		if err != nil || len(open) != 1 || jobs != 1 {
			t.Fatalf("%d messages, %d jobs: %v", len(open), jobs, err)
		}
		if at, want := time.UnixMicro(open[0].NotBefore), d.Now().Add(2*time.Hour); open[0].Task != "safety_stop" ||
			!at.Equal(want) {
			t.Errorf("%s leaves %v, want %v", open[0].Task, at, want)
		}
		calls, err := d.Requests(t.Context(), "main")
		if err != nil || len(calls) != 2 {
			t.Fatalf("%+v %v", calls, err)
		}
		for i, want := range []string{"555-0101", "555-0102"} {
			if calls[i].Reason != StopCall || calls[i].Phone != want || calls[i].Kind != "call" || calls[i].Why == "" {
				t.Errorf("call %d: %+v", i, calls[i])
			}
		}
		morning, err := d.SendStop(t.Context(), "main", "tech", "c00", open[0].LinkID)
		if err != nil || morning {
			t.Fatal(morning, err)
		}
		open, _ = d.Queue(t.Context(), "main", Open, 10)
		if at := time.UnixMicro(open[0].NotBefore); !at.Equal(d.Now()) {
			t.Errorf("sent now, it leaves %v", at)
		}
		// Reached: her call is over, his is not, and her message that has not left is withdrawn.
		if err := d.Called(t.Context(), "main", "tech", "c00", "p0@example.org", []string{calls[0].TaskKey},
			reminder.CallReached, "comes on Monday"); err != nil {
			t.Fatal(err)
		}
		calls, err = d.Requests(t.Context(), "main")
		open, _ = d.Queue(t.Context(), "main", Open, 10)
		if err != nil || len(calls) != 1 || calls[0].Name != "Vi" || len(open) != 0 {
			t.Errorf("after the call: %+v, %d open messages, %v", calls, len(open), err)
		}
		if err := d.Called(t.Context(), "main", "tech", "c00", "Vi", []string{"safety_stop|s|2020-01-01"},
			reminder.CallReached, ""); fault.KindOf(err) != fault.NotFound {
			t.Errorf("a task that is not there: %v", err)
		}
		// A further danger is told and called about again, with what it is now.
		light := Records{Readings: []coach.Reading{{Day: today, Kind: coach.Light, Slide: "s", Value: 1, By: "shop"}}}
		if err := d.Record(t.Context(), "main", "tech", "c00", light); err != nil {
			t.Fatal(err)
		}
		calls, _ = d.Requests(t.Context(), "main")
		open, _ = d.Queue(t.Context(), "main", Open, 10)
		if len(calls) != 2 || len(open) != 1 || strings.Contains(open[0].Text, "photo") {
			t.Errorf("after a further danger: %d calls, %d messages", len(calls), len(open))
		}
	})
}

// A floor that gives is told on the day on which light was, whatever became of the milder
// message about the light.
func TestGraverDangerIsTold(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 3, "")
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		saw := func(c coach.ID, k coach.ReadingKind) {
			t.Helper()
			err := d.Record(t.Context(), "main", "p@example.org", c,
				Records{Readings: []coach.Reading{{Day: today, Kind: k, Slide: "s", Value: 1, By: "owner"}}})
			if err != nil {
				t.Fatal(err)
			}
		}
		for i, s := range []reminder.State{reminder.Queued, reminder.Retry, reminder.Accepted} {
			c := coach.ID(fmt.Sprintf("c%02d", i))
			saw(c, coach.Light)
			err := db.Update(t.Context(), func(tx *store.Tx) error {
				rows, err := tx.NoticesIn(t.Context(), "main", []reminder.State{reminder.Queued}, 0, "", 10)
				for _, r := range rows {
					if r.Coach != string(c) || s == reminder.Queued {
						continue
					}
					if _, ok, err := tx.Claim(t.Context(), "main", r.Key, time.Minute); err != nil || !ok {
						t.Errorf("%s is not claimed: %v", r.Key, err)
					}
					if err := tx.Settle(t.Context(), "main", r.Key, 1, s, "", time.Hour); err != nil {
						return err
					}
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			saw(c, coach.SoftFloor)
			open, err := d.Queue(t.Context(), "main", Open, 10)
			var texts []string
			for _, r := range open {
				if r.Coach == string(c) {
					texts = append(texts, r.Text)
				}
			}
			if err != nil || len(texts) != 1 || strings.Contains(texts[0], "photo") {
				t.Errorf("the first message is %s: %d messages are open, %q; %v", s, len(texts), texts, err)
			}
		}
	})
}

// The shop may choose to call: no message leaves, also not by the next pass, and the call
// stays until somebody was reached.
func TestShopCallsInstead(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 1, "")
		if err := d.Start(t.Context(), "main", "boss"); err != nil {
			t.Fatal(err)
		}
		err := d.Record(t.Context(), "main", "tech", "c00",
			Records{Readings: []coach.Reading{{Day: today, Kind: coach.HoseTest, Slide: "s", Value: 2, By: "shop"}}})
		if err != nil {
			t.Fatal(err)
		}
		open, _ := d.Queue(t.Context(), "main", Open, 10)
		if len(open) != 1 {
			t.Fatalf("%d messages", len(open))
		}
		if err := d.Called(t.Context(), "main", "tech", "c00", open[0].Person, []string{open[0].TaskKey}, reminder.PhoneOnly,
			""); err != nil {
			t.Fatal(err)
		}
		for _, n := range pass(t, d, today) {
			if n.Task == coach.SafetyStop {
				t.Error("the pass makes the message that the shop did not want")
			}
		}
		calls, err := d.Requests(t.Context(), "main")
		if err != nil || len(calls) == 0 || calls[0].Reason != StopCall {
			t.Errorf("%+v %v", calls, err)
		}
	})
}

// A safety message of a paused account waits; the call does not.
func TestPausedStopIsACall(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		fleet(t, d, 0, 1, "")
		err := d.Record(t.Context(), "main", "tech", "c00",
			Records{Readings: []coach.Reading{{Day: today, Kind: coach.SoftFloor, Slide: "s", Value: 1, By: "owner"}}})
		if err != nil {
			t.Fatal(err)
		}
		calls, err := d.Requests(t.Context(), "main")
		if n := claimable(t, d); err != nil || n != 0 || len(calls) != 1 || calls[0].Reason != StopCall {
			t.Errorf("%d messages may leave, calls %+v, %v", n, calls, err)
		}
	})
}

// Who has no e-mail address stands on the call list with name, number and reason once
// something is due, and on its export.
func TestPhoneOnlyOwnersAreCalled(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		text := strings.Replace(scenario, "{name: Ann, email: ann@example.org}",
			"{name: Vi, phone: 555-0101, language: es}", 1)
		c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
			intake.File{Name: "a.yaml", Data: []byte(text)})
		if _, err := d.Import(t.Context(), "main", c); err != nil {
			t.Fatal(err)
		}
		pass(t, d, today)
		calls, err := d.Requests(t.Context(), "main")
		if err != nil || len(calls) == 0 {
			t.Fatalf("nobody is called: %v", err)
		}
		for _, q := range calls {
			if q.Name != "Vi" || q.Phone != "555-0101" || q.Speaks != "es" || q.Reason != string(reminder.NoAddress) ||
				q.Target == "" {
				t.Errorf("%+v", q)
			}
		}
		rows, err := d.Export(t.Context(), "main", "calls")
		if err != nil || len(rows) != len(calls)+1 || !strings.Contains(strings.Join(rows[1], ","),
			"Vi,555-0101,es,no_address") {
			t.Errorf("%v %v", rows, err)
		}
		var keys []string
		for _, q := range calls {
			keys = append(keys, q.TaskKey)
		}
		if err := d.Called(t.Context(), "main", "tech", "a", "Vi", keys, reminder.CallReached, ""); err != nil {
			t.Fatal(err)
		}
		if calls, _ = d.Requests(t.Context(), "main"); len(calls) != 0 {
			t.Errorf("after the call: %+v", calls)
		}
	})
}

// A danger that comes with a record, a list or a bulk is a call at once, too, and an import
// tells beforehand how many messages to how many people its coaches bring.
func TestImportTellsWhoHears(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		d, today := shopDesk(t, db)
		text := scenario + "    readings: [{date: 2026-03-05, kind: soft_floor, slide: s, value: yes}]\n"
		c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
			intake.File{Name: "a.yaml", Data: []byte(text)})
		o, known, err := d.TryImport(t.Context(), "main", c)
		if err != nil || !known || !o.Known || !o.Paused || o.Messages != 1 || o.People != 1 {
			t.Fatalf("dry run: %+v %v %v", o, known, err)
		}
		if calls, err := d.Requests(t.Context(), "main"); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the dry run stored something: %v %v", calls, err)
		}
		if o2, err := d.Import(t.Context(), "main", c); err != nil || o2 != o {
			t.Errorf("import: %+v, the dry run said %+v, %v", o2, o, err)
		}
		calls, err := d.Requests(t.Context(), "main")
		if err != nil || len(calls) != 1 || calls[0].Reason != StopCall {
			t.Errorf("%+v %v", calls, err)
		}
	})
}
