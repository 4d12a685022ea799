package cycle_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/reminder"
)

// withReading is one coach of a snapshot with one more reading, of its first slide.
func withReading(s cycle.Snapshot, id coach.ID, r coach.Reading) cycle.Snapshot {
	s = only(s, id)
	c := s.Members[0].Coach
	r.Slide = c.Slides[0].ID
	c.Readings = append(slices.Clone(c.Readings), r)
	s.Members[0].Coach = c
	return s
}

// A safety message leaves on the day it is made, whatever the day of the week, alone, and
// whatever was sent before; the shop's own finding waits two hours for its decision.
func TestSafetyLeavesAtOnce(t *testing.T) {
	tl, s := demo(t)
	friday := civil.Of(2026, 2, 6)
	loc, err := time.LoadLocation("America/Chicago") // swift-12 stands in Nashville
	if err != nil {
		t.Fatal(err)
	}
	s.Today = friday
	for _, c := range []struct {
		name      string
		by        string
		now, want time.Time
	}{
		{"an owner's, by day", "owner", time.Date(2026, 2, 6, 15, 12, 0, 0, loc), time.Date(2026, 2, 6, 15, 12, 0, 0, loc)},
		{"an owner's, at night", "owner", time.Date(2026, 2, 6, 22, 0, 0, 0, loc), time.Date(2026, 2, 7, 7, 0, 0, 0, loc)},
		{"the shop's, by day", "shop", time.Date(2026, 2, 6, 15, 12, 0, 0, loc), time.Date(2026, 2, 6, 17, 12, 0, 0, loc)},
		{"the shop's, in the evening", "shop", time.Date(2026, 2, 6, 19, 30, 0, 0, loc),
			time.Date(2026, 2, 7, 7, 0, 0, 0, loc)},
	} {
		in := withReading(s, "swift-12", coach.Reading{Day: friday, Kind: coach.SoftFloor, Value: 1, By: c.by})
		in.Now = c.now.UTC()
		for i := range 12 { // the year's messages are used up, the last one was yesterday
			in.Members[0].Past = append(in.Members[0].Past, reminder.Past{Person: "gus@example.org", Task: coach.Clean,
				TaskKey: "clean|x|y", Day: friday - 1 - civil.Date(i)})
		}
		ns := cycle.Evaluate(tl, in).Notices()
		if len(ns) != 1 || ns[0].Task != coach.SafetyStop || !ns[0].NotBefore.Equal(c.want) {
			t.Errorf("%s: %d notices, %v", c.name, len(ns), func() any {
				if len(ns) > 0 {
					return ns[0].NotBefore.In(loc)
				}
				return nil
			}())
			continue
		}
		for _, key := range ns[0].Covers {
			if !strings.HasPrefix(key, "safety_stop|") {
				t.Errorf("%s: the message also asks for %s", c.name, key)
			}
		}
	}
}

// Light alone is told mildly; with a soft floor beside it, it is not.
func TestStopSaysWhatWasSeen(t *testing.T) {
	tl, s := demo(t)
	light := coach.Reading{Day: today, Kind: coach.Light, Value: 1, By: "owner"}
	ns := cycle.Evaluate(tl, withReading(s, "swift-12", light)).Notices()
	if len(ns) != 1 || !strings.Contains(ns[0].Text, "send us a photo") || strings.Contains(ns[0].Text, "Stop using") {
		t.Fatalf("light alone: %d notices\n%s", len(ns), ns[0].Text)
	}
	floor := light
	floor.Kind, floor.Day = coach.SoftFloor, today-1
	both := withReading(withReading(s, "swift-12", floor), "swift-12", light)
	ns = cycle.Evaluate(tl, both).Notices()
	if len(ns) != 1 || !strings.Contains(ns[0].Text, "Stop using this slide-out") {
		t.Fatalf("light and a soft floor: %d notices\n%s", len(ns), ns[0].Text)
	}
	if strings.Contains(ns[0].Text, "minutes a slide") {
		t.Errorf("a call to the shop is said to take time at the shop:\n%s", ns[0].Text)
	}
	if !strings.Contains(ns[0].HTML, `href="tel:`) || strings.Contains(ns[0].HTML, "Not now") {
		t.Errorf("the first button does not call the shop, or the stop can be put off:\n%s", ns[0].HTML)
	}
}

// Whoever cannot be reached by mail has a reason that puts them on the call list, once
// their task is due and only then.
func TestUnreachableAreCalled(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "swift-12")
	person := s.Members[0].Coach.People[0]
	reasons := func(change func(*cycle.Snapshot, *coach.Person)) map[reminder.Reason]bool {
		in := s
		c := in.Members[0].Coach
		p := person
		change(&in, &p)
		c.People = []coach.Person{p}
		if p.Name == "" {
			c.People = nil
		}
		in.Members = []cycle.Member{{Coach: c}}
		out := map[reminder.Reason]bool{}
		o := cycle.Evaluate(tl, in).Outcomes[0]
		if len(o.Notices) > 0 {
			t.Errorf("%v is written to", p)
		}
		soon := 0
		for _, x := range o.Suppressed {
			out[x.Reason] = true
			if x.Reason != reminder.NotYet {
				soon++
			}
			if x.Person != p.Ref() {
				t.Errorf("person %q, want %q", x.Person, p.Ref())
			}
		}
		if soon == 0 || soon == len(o.Suppressed) {
			t.Errorf("%d of %d tasks count as due", soon, len(o.Suppressed))
		}
		return out
	}
	for _, c := range []struct {
		want   reminder.Reason
		change func(*cycle.Snapshot, *coach.Person)
	}{
		{reminder.NoAddress, func(_ *cycle.Snapshot, p *coach.Person) { p.Email = "" }},
		{reminder.NoAddress, func(_ *cycle.Snapshot, p *coach.Person) { *p = coach.Person{} }}, // nobody is on record
		{reminder.BadAddress, func(s *cycle.Snapshot, p *coach.Person) { s.Bad = map[string]bool{p.Email: true} }},
		{reminder.OptedOut, func(s *cycle.Snapshot, p *coach.Person) { s.OptedOut = map[string]bool{p.Email: true} }},
	} {
		got := reasons(c.change)
		if !got[c.want] || !c.want.Calls() || !got[reminder.NotYet] {
			t.Errorf("%s: %v", c.want, got)
		}
	}
}

// Who was reached rests for CallRest days, and a stop for as long as its danger is open.
func TestReachedRests(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "swift-12")
	c := s.Members[0].Coach
	c.People = []coach.Person{{Name: "Vi", Phone: "555-0101"}}
	s.Members[0].Coach = c
	due := func(s cycle.Snapshot) (keys []string) {
		for _, x := range cycle.Evaluate(tl, s).Outcomes[0].Suppressed {
			if x.Reason == reminder.NoAddress {
				keys = append(keys, x.TaskKey)
			}
		}
		return keys
	}
	keys := due(s)
	if len(keys) == 0 {
		t.Fatal("nothing is due")
	}
	for _, x := range []struct {
		days civil.Date
		want int
	}{{0, 0}, {reminder.CallRest - 1, 0}, {reminder.CallRest, 1}, {reminder.CallRest + 1, 1}} {
		s.Members[0].Calls = []reminder.Call{}
		for _, k := range keys {
			s.Members[0].Calls = append(s.Members[0].Calls,
				reminder.Call{Person: "Vi", TaskKey: k, Outcome: reminder.CallReached, Day: today - x.days})
		}
		if got := len(due(s)); (got > 0) != (x.want > 0) {
			t.Errorf("reached %d days ago: %d calls", x.days, got)
		}
	}
	in := withReading(s, "swift-12", coach.Reading{Day: today - 300, Kind: coach.SoftFloor, Value: 1, By: "shop"})
	in.Members[0].Coach.People = []coach.Person{{Name: "Vi", Email: "vi@example.org"}}
	key := cycle.Evaluate(tl, in).Notices()[0].TaskKey
	in.Members[0].Calls = []reminder.Call{{Person: "vi@example.org", TaskKey: key, Outcome: reminder.CallReached,
		Day: today - 299}}
	if ns := cycle.Evaluate(tl, in).Notices(); len(ns) != 0 {
		t.Errorf("a person who was reached about a danger is written to about it: %s", ns[0].Subject)
	}
}

// A rehearsal names everybody whom the shop would have to call, why, and their number.
func TestRehearsalNamesCalls(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "swift-12")
	c := s.Members[0].Coach
	c.People = []coach.Person{{Name: "Vi", Phone: "555-0101"}}
	s.Members[0].Coach = c
	found := cycle.Rehearse(tl, s, today+30, cycle.Nothing)
	if len(found.Notices) != 0 || len(found.Calls) == 0 {
		t.Fatalf("%d notices, %d calls", len(found.Notices), len(found.Calls))
	}
	for _, x := range found.Calls {
		if x.Person != "Vi" || x.Phone != "555-0101" || x.Reason != string(reminder.NoAddress) {
			t.Errorf("%+v", x)
		}
	}
	stop := withReading(s, "swift-12", coach.Reading{Day: today, Kind: coach.SoftFloor, Value: 1, By: "shop"})
	found = cycle.Rehearse(tl, stop, today+1, cycle.Nothing)
	if len(found.Calls) != 1 || found.Calls[0].Reason != string(coach.SafetyStop) || found.Calls[0].Day != today {
		t.Errorf("a safety stop: %+v", found.Calls)
	}
}
