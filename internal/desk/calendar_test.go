package desk_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/desk"
	"sealmanac/internal/exposure"
	"sealmanac/internal/intake"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/store"
	"sealmanac/internal/store/storetest"
	"sealmanac/internal/testkit"
	"sealmanac/internal/wording"
)

// diary reads the calendars of one account, with tasks as the test says.
type diary struct {
	t     *testing.T
	desk  *desk.Desk
	today civil.Date
	text  string // of the calendar that was read last
}

func newDiary(t *testing.T, db *store.DB) *diary {
	t.Helper()
	x := &diary{t: t, today: civil.Of(2026, 3, 3)}
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	tables := testkit.Tables(t)
	tools := cycle.Tools{Engine: projection.NewEngine(r), Atlas: exposure.NewAtlas(tables), Domain: "example.org"}
	now := func() time.Time { return x.today.Time().Add(18 * time.Hour) }
	db.Now = now
	x.desk = &desk.Desk{DB: db, Now: now, Domain: "example.org", Places: tables,
		Signer:   &desk.Signer{Key: make([]byte, 32), BaseURL: "https://x.example.org"},
		Titles:   func(k coach.TaskKind) string { return r.Tasks[k].Title },
		ToolsFor: func(context.Context, coach.AccountID) (cycle.Tools, error) { return tools, nil }}
	c := intake.Read(intake.Options{Today: x.today, Places: tables}, nil, intake.File{Name: "x.yaml", Data: []byte(`
shop: {name: Shop, postal: 1 Road}
coaches:
  - {coach: a, label: "Ann's", slides: []}
  - {coach: b, label: "Bo's", slides: []}
`)})
	if _, err := x.desk.Import(t.Context(), "one", c); err != nil {
		t.Fatal(err)
	}
	return x
}

// due makes tasks of a coach: each word is a kind, an edge and a day from today.
func (x *diary) due(c coach.ID, words ...string) {
	x.t.Helper()
	var ts []plan.Task
	for _, w := range words {
		var kind, edge string
		var day int
		if _, err := fmt.Sscan(w, &kind, &edge, &day); err != nil {
			x.t.Fatal(err)
		}
		ts = append(ts, plan.Task{Kind: coach.TaskKind(kind), Slide: "s", Run: "s/outer/" + edge, Target: x.today.Add(day),
			Latest: x.today.Add(day + 14), Anchor: civil.Of(2025, 1, 1), Why: wording.Say("The reason.")})
	}
	if err := x.desk.DB.Update(x.t.Context(), func(tx *store.Tx) error {
		return tx.SaveOutcome(x.t.Context(), "one", c, x.today, "v", nil, ts, nil)
	}); err != nil {
		x.t.Fatal(err)
	}
}

// read returns the events of a calendar by their UID, as an independent parser reads them.
func (x *diary) read(kind string, c coach.ID) map[string]*ics.VEvent {
	x.t.Helper()
	address, err := x.desk.AddCalendar(x.t.Context(), "one", "m", kind, c, "")
	if err != nil {
		x.t.Fatal(err)
	}
	secret := strings.TrimSuffix(strings.TrimPrefix(address, "https://x.example.org/cal/"), ".ics")
	text, err := x.desk.CalendarText(x.t.Context(), secret)
	if err != nil {
		x.t.Fatal(err)
	}
	x.text = string(text)
	cal, err := ics.ParseCalendar(strings.NewReader(x.text))
	if err != nil {
		x.t.Fatal(err)
	}
	out := map[string]*ics.VEvent{}
	for _, e := range cal.Events() {
		if _, twice := out[e.Id()]; twice {
			x.t.Errorf("%s stands twice", e.Id())
		}
		out[e.Id()] = e
	}
	return out
}

// says returns one line an event that is on: day, sequence, summary, alarms.
func says(es map[string]*ics.VEvent) (on []string, off int) {
	get := func(e *ics.VEvent, p ics.ComponentProperty) string { return e.GetProperty(p).Value }
	for _, e := range es {
		if get(e, ics.ComponentPropertyStatus) == "CANCELLED" {
			off++
			continue
		}
		on = append(on, fmt.Sprintf("%s #%s %s alarms %d", get(e, ics.ComponentPropertyDtStart),
			get(e, ics.ComponentPropertySequence), strings.ReplaceAll(get(e, ics.ComponentPropertySummary), `\,`, ","),
			len(e.Alarms())))
	}
	slices.Sort(on)
	return on, off
}

func (x *diary) expect(es map[string]*ics.VEvent, off int, want ...string) {
	x.t.Helper()
	if on, gone := says(es); !slices.Equal(on, want) || gone != off {
		x.t.Errorf("%d cancelled, want %d; on are\n  %s\nwant\n  %s", gone, off, strings.Join(on, "\n  "),
			strings.Join(want, "\n  "))
	}
}

// What is due on a coach on one day is one event, which stays the same when its day moves
// or a task joins or leaves it; what is overdue stands together on today and rings no more.
func TestCalendarGroups(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newDiary(t, db)
		x.due("a", "clean top 10", "clean bottom 10", "inspect top 10", "clean fore 40", "lubricate top -300",
			"lubricate aft -20")
		x.due("b", "water_test top 10")
		first := x.read("fleet", "")
		x.expect(first, 0,
			"20260303 #0 Clean and condition the slide-out seals: Ann's (a), s slide (outer rear edge, outer top edge) alarms 0",
			"20260313 #0 Have the slide-out seals inspected (+1): Ann's (a) alarms 1",
			"20260313 #0 Hose-test the slide-outs: Bo's (b), s slide (outer top edge) alarms 1",
			"20260412 #0 Clean the slide-out seals: Ann's (a), s slide (outer front edge) alarms 1")
		if !strings.Contains(strings.ReplaceAll(x.text, "\r\n ", ""), `Clean the slide-out seals: s slide (outer bottom edge\, outer top edge)\nThe reason.`) {
			t.Errorf("the description lacks the edges:\n%s", x.text)
		}
		again := x.read("coach", "a") // the same events in the coach's own calendar
		for uid := range again {
			if first[uid] == nil {
				t.Errorf("%s is another event in another calendar", uid)
			}
		}
		x.expect(x.read("fleet", ""), 0, lines(first)...)
		// A pass moves days, adds a task and takes one away: the same events.
		x.due("a", "clean top 12", "clean bottom 12", "water_test top 12", "clean fore 40", "lubricate top -300",
			"lubricate aft -20")
		moved := x.read("fleet", "")
		x.expect(moved, 0,
			"20260303 #0 Clean and condition the slide-out seals: Ann's (a), s slide (outer rear edge, outer top edge) alarms 0",
			"20260313 #0 Hose-test the slide-outs: Bo's (b), s slide (outer top edge) alarms 1",
			"20260315 #1 Clean the slide-out seals (+1): Ann's (a) alarms 1",
			"20260412 #0 Clean the slide-out seals: Ann's (a), s slide (outer front edge) alarms 1")
		same(t, first, moved)
		// A group parts: the larger part stays the event, the other is a new one.
		x.due("a", "clean top 12", "clean bottom 12", "water_test top 20", "clean fore 40", "lubricate top -300",
			"lubricate aft -20")
		parted := x.read("fleet", "")
		if len(parted) != len(moved)+1 {
			t.Errorf("%d events of %d", len(parted), len(moved))
		}
		x.expect(parted, 0,
			"20260303 #0 Clean and condition the slide-out seals: Ann's (a), s slide (outer rear edge, outer top edge) alarms 0",
			"20260313 #0 Hose-test the slide-outs: Bo's (b), s slide (outer top edge) alarms 1",
			"20260315 #2 Clean the slide-out seals: Ann's (a), s slide (outer bottom edge, outer top edge) alarms 1",
			"20260323 #0 Hose-test the slide-outs: Ann's (a), s slide (outer top edge) alarms 1",
			"20260412 #0 Clean the slide-out seals: Ann's (a), s slide (outer front edge) alarms 1")
		// They join again: one ends, and does not stand beside the other.
		x.due("a", "clean top 12", "clean bottom 12", "water_test top 12", "clean fore 40", "lubricate top -300",
			"lubricate aft -20")
		x.expect(x.read("fleet", ""), 1,
			"20260303 #0 Clean and condition the slide-out seals: Ann's (a), s slide (outer rear edge, outer top edge) alarms 0",
			"20260313 #0 Hose-test the slide-outs: Bo's (b), s slide (outer top edge) alarms 1",
			"20260315 #3 Clean the slide-out seals (+1): Ann's (a) alarms 1",
			"20260412 #0 Clean the slide-out seals: Ann's (a), s slide (outer front edge) alarms 1")
		// Put off: it stands on the day on which it is asked for again. Reported as done: it is not asked for.
		answer := func(kind coach.TaskKind, edge string, a reminder.AnswerKind, until civil.Date) {
			t.Helper()
			if err := db.Update(t.Context(), func(tx *store.Tx) error {
				return tx.AddAnswer(t.Context(), "one", "a", "p@example.org",
					reminder.Answer{TaskKey: string(kind) + "|s/outer/" + edge + "|2025-01-01", Kind: a, Day: x.today, Until: until})
			}); err != nil {
				t.Fatal(err)
			}
		}
		answer(coach.Lubricate, "top", reminder.Later, x.today+60)
		answer(coach.Lubricate, "aft", reminder.Done, 0)
		put := x.read("fleet", "")
		same(t, first, put)
		x.expect(put, 1,
			"20260313 #0 Hose-test the slide-outs: Bo's (b), s slide (outer top edge) alarms 1",
			"20260315 #3 Clean the slide-out seals (+1): Ann's (a) alarms 1",
			"20260412 #0 Clean the slide-out seals: Ann's (a), s slide (outer front edge) alarms 1",
			"20260502 #1 Clean and condition the slide-out seals: Ann's (a), s slide (outer top edge) alarms 1")
		// What is done on an agreed day stands in its visit.
		if err := x.desk.Pin(t.Context(), "one", "m", "b", desk.DayChange{Day: x.today + 10}); err != nil {
			t.Fatal(err)
		}
		x.due("b", "water_test top 10")
		x.expect(x.read("coach", "b"), 1, "20260313 #0 Bo's (b) alarms 1")
		// Overdue, day after day: one event that moves along; what was cancelled long ago goes.
		x.due("b")
		x.today += 40
		x.due("a", "clean top -28", "clean bottom -28", "clean fore 0")
		x.expect(x.read("fleet", ""), 2,
			"20260412 #4 Clean the slide-out seals: Ann's (a), s slide (outer bottom edge, outer front edge, outer top edge) "+
				"alarms 0")
		x.today++
		x.due("a", "clean top -29", "clean bottom -29", "clean fore -1")
		x.expect(x.read("fleet", ""), 2,
			"20260413 #5 Clean the slide-out seals: Ann's (a), s slide (outer bottom edge, outer front edge, outer top edge) "+
				"alarms 0")
	})
}

func lines(es map[string]*ics.VEvent) []string { on, _ := says(es); return on }

// same requires that each event of before is still there, on or cancelled.
func same(t *testing.T, before, after map[string]*ics.VEvent) {
	t.Helper()
	for uid := range maps.Keys(before) {
		if after[uid] == nil {
			t.Errorf("%s is gone without a word", uid)
		}
	}
}

// Entries of one task each, as calendars showed them before there were groups, end
// cleanly: one of them becomes the group, the others are cancelled, nothing stands twice.
// A visit keeps the name that it had.
func TestCalendarsOfBefore(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newDiary(t, db)
		x.due("a", "clean top 10", "clean bottom 10", "clean fore 10", "inspect top 20")
		uid := func(task string) string {
			sum := sha256.Sum256([]byte("a|" + task + "|2025-01-01"))
			return "task-" + hex.EncodeToString(sum[:12])
		}
		was := []string{uid("clean|s/outer/top"), uid("clean|s/outer/bottom"), uid("clean|s/outer/fore"),
			uid("inspect|s/outer/top")}
		if err := db.Update(t.Context(), func(tx *store.Tx) error {
			for i, u := range append(slices.Clone(was), "visit-b-2026-03-20") {
				e := []any{"one", u, "a", "task", x.today.Add(10).String(), x.today.Add(24).String(), "clean|s/outer/top",
					"The reason.", 4 + i, 0, db.Now().UnixMicro() - 1}
				switch i {
				case 3:
					e[4], e[5], e[6] = x.today.Add(20).String(), x.today.Add(34).String(), "inspect|s/outer/top"
				case 4:
					e[2], e[3], e[4], e[5], e[6], e[7] = "b", "visit", "2026-03-20", "2026-03-20", "b", "00:00"
				}
				if _, err := tx.SQL().ExecContext(t.Context(), tx.SQL().Rebind(`INSERT INTO calendar_entry (account_id, uid, coach_id, kind, day, until_day, summary, description, sequence, cancelled, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`), e...); err != nil {
					return err
				}
			}
			return tx.SaveWorkshop(t.Context(), "one",
				&coach.Workshop{Travel: -1, Pins: []coach.Pin{{Coach: "b", Day: civil.Of(2026, 3, 20)}}})
		}); err != nil {
			t.Fatal(err)
		}
		es := x.read("fleet", "")
		if len(es) != len(was) {
			t.Errorf("%d events of %d", len(es), len(was))
		}
		off := 0
		for i, u := range was {
			e := es[u+"@one.example.org"]
			if e == nil {
				t.Fatalf("%s is gone without a word", u)
			}
			if seq := e.GetProperty(ics.ComponentPropertySequence).Value; seq != fmt.Sprint(5+i) {
				t.Errorf("%s has sequence %s, had %d", u, seq, 4+i)
			}
			if e.GetProperty(ics.ComponentPropertyStatus).Value == "CANCELLED" {
				off++
			}
		}
		on, _ := says(es)
		if off != 2 || len(on) != 2 || !strings.Contains(on[0], "(outer bottom edge, outer front edge, outer top edge)") ||
			!strings.Contains(on[1], "inspected: Ann's (a)") {
			t.Errorf("%d cancelled, on are %q", off, on)
		}
		x.expect(x.read("shop", ""), 0, "20260320 #8 Bo's (b) alarms 1")
		if err := x.desk.Pin(t.Context(), "one", "m", "b",
			desk.DayChange{Was: civil.Of(2026, 3, 20), Day: civil.Of(2026, 4, 7)}); err != nil {
			t.Fatal(err)
		}
		x.expect(x.read("shop", ""), 0, "20260407 #9 Bo's (b) alarms 1")
	})
}

// A visit is the same event wherever it is moved from, another visit never takes its
// place, and one that is over is not cancelled.
func TestCalendarVisits(t *testing.T) {
	x := newDiary(t, storetest.Fresh(t, "sqlite"))
	pin := func(was, day int, at ...int) {
		t.Helper()
		days := [2]civil.Date{}
		for i, n := range []int{was, day} {
			if n != 0 {
				days[i] = x.today.Add(n)
			}
		}
		if err := x.desk.Pin(t.Context(), "one", "m", "a", desk.DayChange{Was: days[0], Day: days[1], At: append(at, 0)[0],
			ClosedOK: true}); err != nil {
			t.Fatal(err)
		}
	}
	file := func(days ...string) {
		t.Helper()
		text := "shop: {name: Shop, postal: 1 Road}\nworkshop: {pins: ["
		for _, d := range days {
			text += "{coach: a, date: " + d + "},"
		}
		c := intake.Read(intake.Options{Today: x.today, Places: x.desk.Places}, nil,
			intake.File{Name: "x.yaml", Data: []byte(text + "]}\n")})
		if _, err := x.desk.Import(t.Context(), "one", c); err != nil {
			t.Fatal(err)
		}
	}
	pin(0, 10)
	first := x.read("shop", "")
	x.expect(first, 0, "20260313 #0 Ann's (a) alarms 1")
	pin(10, 10, 9*60) // another time is a change
	x.expect(x.read("shop", ""), 0, "20260313T090000Z #1 Ann's (a) alarms 1")
	pin(10, 24)
	pin(24, 25)
	pin(0, 10) // the first day is free again: another visit
	two := x.read("shop", "")
	x.expect(two, 0, "20260313 #0 Ann's (a) alarms 1", "20260328 #2 Ann's (a) alarms 1")
	same(t, first, two)
	file("2026-03-26", "2026-04-15") // moved within its week by a file, and a third one
	three := x.read("shop", "")
	x.expect(three, 0, "20260313 #0 Ann's (a) alarms 1", "20260326 #3 Ann's (a) alarms 1",
		"20260415 #0 Ann's (a) alarms 1")
	same(t, two, three)
	pin(43, 0)
	x.expect(x.read("shop", ""), 1, "20260313 #0 Ann's (a) alarms 1", "20260326 #3 Ann's (a) alarms 1")
	x.today += 11
	x.expect(x.read("shop", ""), 1, "20260313 #0 Ann's (a) alarms 0", "20260326 #3 Ann's (a) alarms 1")
	x.today += 40
	over := x.read("shop", "")
	x.expect(over, 0, "20260326 #3 Ann's (a) alarms 0")
}

// A calendar is read while a pass holds the account, and many readers at once raise a
// sequence once.
func TestCalendarsTakeNoLock(t *testing.T) {
	storetest.Each(t, func(t *testing.T, db *store.DB) {
		x := newDiary(t, db)
		x.due("a", "clean top 10")
		x.read("fleet", "")
		x.due("a", "clean top 11") // to be kept
		addresses := make([]string, 8)
		for i := range addresses {
			address, err := x.desk.AddCalendar(t.Context(), "one", "m", "fleet", "", "")
			if err != nil {
				t.Fatal(err)
			}
			addresses[i] = strings.TrimSuffix(strings.TrimPrefix(address, "https://x.example.org/cal/"), ".ics")
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		check := func(secret string) {
			text, err := x.desk.CalendarText(ctx, secret)
			if err != nil || !strings.Contains(string(text), "DTSTART;VALUE=DATE:20260314") || !strings.Contains(string(text),
				"SEQUENCE:1\r\n") {
				t.Errorf("%v %s", err, text)
			}
		}
		if err := db.Update(ctx, func(tx *store.Tx) error {
			if _, err := tx.Account(ctx, "one", true); err != nil {
				return err
			}
			check(addresses[0])
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		var wait sync.WaitGroup
		for _, a := range addresses {
			wait.Go(func() { check(a) })
		}
		wait.Wait()
		x.expect(x.read("fleet", ""), 0,
			"20260314 #1 Clean the slide-out seals: Ann's (a), s slide (outer top edge) alarms 1")
	})
}
