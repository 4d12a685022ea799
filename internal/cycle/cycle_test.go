package cycle_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sealmanac/config"
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/intake"
	"sealmanac/internal/projection"
	"sealmanac/internal/reminder"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/testkit"
	"sealmanac/internal/wording"
)

var today = civil.Of(2026, 2, 10)

// links are readable stand-ins, so that golden mails do not depend on a key.
type links struct{}

func (links) Links(n *reminder.Notice) reminder.Links {
	out := reminder.Links{}
	for _, k := range reminder.AnswerKinds {
		out[k] = "https://seals.example.org/a/" + string(k) + "-" + n.LinkID[:8]
	}
	return out
}

func (links) Page(_ coach.AccountID, c *coach.Coach) string {
	return "https://seals.example.org/o/" + string(c.ID)
}

func demo(t testing.TB) (cycle.Tools, cycle.Snapshot) {
	t.Helper()
	c := intake.Read(intake.Options{Today: today, Places: testkit.Tables(t)}, nil,
		intake.File{Name: "demo.yaml", Data: config.Demo})
	if err := c.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	tl := tools(t, 0)
	tl.Links = links{}
	s := cycle.Snapshot{Account: *c.Shop, Today: today, Workshop: c.Workshop}
	s.Account.ID = "demo"
	for _, k := range c.Coaches {
		s.Members = append(s.Members, cycle.Member{Coach: k})
	}
	return tl, s
}

// only keeps one coach of a snapshot.
func only(s cycle.Snapshot, id coach.ID) cycle.Snapshot {
	s.Members = slices.DeleteFunc(slices.Clone(s.Members), func(m cycle.Member) bool { return m.Coach.ID != id })
	return s
}

func TestGoldenPass(t *testing.T) {
	tl, s := demo(t)
	res := cycle.Evaluate(tl, s)
	var b strings.Builder
	for _, o := range res.Outcomes {
		fmt.Fprintf(&b, "%s band %s (%s), season %v to %v (%s)\n", o.Coach, o.Setting.Band, o.Setting.BandWhy,
			o.Setting.Season.Opens, o.Setting.Season.Closes, o.Setting.SeasonWhy)
		for _, f := range o.Forecasts {
			fmt.Fprintf(&b, "  %s/%s %s %.3f %s %s %s %s %s\n", f.Run, f.Part, f.Material, f.LifeUsed, f.Governing, f.Early,
				f.Likely, f.Late, f.Hold)
		}
		for _, k := range o.Tasks {
			fmt.Fprintf(&b, "  %s %s %s %s %s %s\n", k.Kind, k.Run, k.Earliest, k.Target, k.Latest, k.Why)
		}
		for _, n := range o.Notices {
			fmt.Fprintf(&b, "  -> %s: %s (rung %d, not before %s)\n", n.Person, n.Subject, n.Rung, n.NotBefore)
		}
	}
	testkit.Golden(t, "cycle/demo.golden", b.String())
}

func TestGoldenMails(t *testing.T) {
	tl, s := demo(t)
	for _, c := range []struct {
		coach coach.ID
		name  string
	}{{"wren-02", "condition"}, {"magpie-05", "replace"}, {"plover-04", "refit"}} {
		res := cycle.Evaluate(tl, only(s, c.coach))
		ns := res.Notices()
		if len(ns) != 1 {
			t.Fatalf("%s: %d notices", c.coach, len(ns))
		}
		testkit.Golden(t, "cycle/mail-"+c.name+".txt", ns[0].Subject+"\n\n"+ns[0].Text)
		testkit.Golden(t, "cycle/mail-"+c.name+".html", ns[0].HTML)
	}
}

// One mail in each language, the reminder of an agreed day to both its owners, and
// what the agreed day silences.
func TestGoldenLanguages(t *testing.T) {
	tl, s := demo(t)
	words := &wording.Catalogue{}
	for tag, po := range config.Words {
		words.Add(tag, po)
	}
	tl.Words = words
	for _, tag := range []string{"es", "fr-CA"} {
		one := only(s, "magpie-05")
		one.Account.Language = tag
		ns := cycle.Evaluate(tl, one).Notices()
		if len(ns) != 1 || ns[0].Language != tag[:2] {
			t.Fatalf("%s: %+v", tag, ns)
		}
		testkit.Golden(t, "cycle/mail-replace."+tag[:2]+".txt", ns[0].Subject+"\n\n"+ns[0].Text)
	}
	res := cycle.Evaluate(tl, only(s, "heron-01"))
	ns := res.Notices()
	if len(ns) != 2 || ns[0].Task != coach.BookedVisit || ns[1].Language != "fr" {
		t.Fatalf("%+v", ns)
	}
	testkit.Golden(t, "cycle/mail-visit.txt", ns[0].Subject+"\n\n"+ns[0].Text)
	testkit.Golden(t, "cycle/mail-visit.html", ns[0].HTML)
	testkit.Golden(t, "cycle/mail-visit.fr.txt", ns[1].Subject+"\n\n"+ns[1].Text)
	lot := reminder.Lot(reminder.LotInput{Campaign: "c", Lot: "L7", Subject: "a bulb to look at",
		Said:    "A lot of bulbs set faster than its data sheet says.\n\nPlease let us measure yours at your next visit.",
		Account: &s.Account, Coach: &s.Members[0].Coach,
		Person: &s.Members[0].Coach.People[0],
		Where:  []reminder.LotPart{{Run: "galley/outer/top", Part: coach.Bulb, Fitted: civil.Of(2023, 9, 14), Lot: "L7"}},
		Today:  s.Today, Rules: tl.Engine.Rules, Links: links{}, Domain: "example.org", Catalogue: words})
	testkit.Golden(t, "cycle/mail-lot.txt", lot.Subject+"\n\n"+lot.Text)
	testkit.Golden(t, "cycle/mail-lot.html", lot.HTML)
	silenced := 0
	for _, x := range res.Outcomes[0].Suppressed {
		if x.Reason == reminder.Booked {
			silenced++
		}
	}
	if silenced == 0 {
		t.Error("the agreed day silences nothing")
	}
}

// A rulebook that asks for consent tells nobody without one.
func TestConsent(t *testing.T) {
	tl, s := demo(t)
	r, err := rulebook.Parse(config.Rulebook)
	if err != nil {
		t.Fatal(err)
	}
	r.Manners.NeedConsent = true
	tl.Engine = projection.NewEngine(r)
	one := only(s, "magpie-05")
	if n := len(cycle.Evaluate(tl, one).Notices()); n != 1 {
		t.Errorf("%d notices with consent", n)
	}
	one.Members[0].Coach.People = []coach.Person{{Name: "Lena", Email: "lena@example.org",
		Consents: []coach.Consent{{Channel: coach.ByPhone, Day: s.Today}}}}
	o := cycle.Evaluate(tl, one).Outcomes[0]
	if len(o.Notices) != 0 || len(o.Suppressed) == 0 || o.Suppressed[0].Reason != reminder.NoConsent {
		t.Errorf("consent to calls alone: %d notices, %v", len(o.Notices), o.Suppressed)
	}
}

func TestSameInSameOut(t *testing.T) {
	tl, s := demo(t)
	a := cycle.Evaluate(tl, s)
	tl2, s2 := demo(t)
	if diff := cmp.Diff(a, cycle.Evaluate(tl2, s2)); diff != "" {
		t.Errorf("the same snapshot gave another result:\n%s", diff)
	}
}

// answers gives the same answer to everything a notice covers.
func answers(n reminder.Notice, a reminder.Answer) (out []reminder.Answer) {
	for _, key := range n.Covers {
		a.TaskKey, _, _ = strings.Cut(key, "#")
		out = append(out, a)
	}
	return out
}

// "Not now" is for a while, and a booking that never came is asked for again: the
// rungs begin anew, under a key of their own.
func TestSilenceEnds(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "wren-02")
	first := cycle.Evaluate(tl, s).Notices()[0]
	for name, a := range map[string]reminder.Answer{
		"later": {Kind: reminder.Later, Day: today - 22, Until: today - 1}, "book": {Kind: reminder.Book, Day: today - 60},
	} {
		m := s.Members[0]
		m.Answers = answers(first, a)
		m.Past = []reminder.Past{{Person: first.Person, Task: first.Task, TaskKey: first.TaskKey, Covers: first.Covers,
			Day: today - 70, Answered: true}}
		again := s
		again.Members = []cycle.Member{m}
		ns := cycle.Evaluate(tl, again).Notices()
		if len(ns) != 1 || ns[0].Key == first.Key || ns[0].MessageID == first.MessageID {
			t.Errorf("%s: %d notices", name, len(ns))
			continue
		}
		m.Past = append(m.Past, reminder.Past{Person: first.Person, Task: first.Task, TaskKey: first.TaskKey,
			Covers: ns[0].Covers, Day: today})
		again.Members = []cycle.Member{m}
		if o := cycle.Evaluate(tl, again).Outcomes[0]; len(o.Notices) != 0 {
			t.Errorf("%s: told twice anew", name)
		}
	}
}

// Past the sending hours a message waits for the next sending day.
func TestTooLateForToday(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "wren-02")
	for _, c := range []struct {
		now  string
		want string
	}{{"2026-02-10T08:00:00-06:00", "2026-02-10 09:00"}, {"2026-02-10T10:59:00-06:00", "2026-02-10 09:00"},
		{"2026-02-10T11:00:00-06:00", "2026-02-11 09:00"}} {
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		s.Now = now
		if got := cycle.Evaluate(tl, s).Notices()[0].NotBefore.Format("2006-01-02 15:04"); got != c.want {
			t.Errorf("at %s: %s, want %s", c.now, got, c.want)
		}
	}
}

// People of a role may have rungs of their own: a manager hears earlier, or not.
func TestRungsByRole(t *testing.T) {
	for _, c := range []struct {
		name  string
		role  coach.Role
		rungs map[coach.Role][]int
		told  bool
		of    int
	}{
		{"as everybody", coach.Owner, nil, true, 2},
		{"a manager's own", coach.Manager, map[coach.Role][]int{coach.Manager: {60, 30, 5}}, true, 3},
		{"another role's", coach.Owner, map[coach.Role][]int{coach.Manager: {60}}, true, 2},
		{"not told", coach.SecondOwner, map[coach.Role][]int{coach.SecondOwner: {}}, false, 0},
	} {
		tl, s := demo(t)
		s = only(s, "wren-02")
		s.Members[0].Coach.People = slices.Clone(s.Members[0].Coach.People)[:1]
		s.Members[0].Coach.People[0].Role = c.role
		for k, task := range tl.Engine.Rules.Tasks {
			task.LeadFor = c.rungs
			tl.Engine.Rules.Tasks[k] = task
		}
		ns := cycle.Evaluate(tl, s).Notices()
		if (len(ns) > 0) != c.told || c.told && ns[0].Rungs != c.of {
			t.Errorf("%s: %d notices, %+v", c.name, len(ns), ns)
		}
	}
}

func TestNothingSilly(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "wren-02")
	first := cycle.Evaluate(tl, s).Notices()[0]
	past := reminder.Past{Person: first.Person, Task: first.Task, Covers: first.Covers, TaskKey: first.TaskKey, Day: today}
	why := func(change func(*cycle.Snapshot, *cycle.Member)) reminder.Reason {
		c := s
		c.Members = slices.Clone(s.Members)
		m := &c.Members[0]
		m.Past = []reminder.Past{past}
		change(&c, m)
		o := cycle.Evaluate(tl, c).Outcomes[0]
		if len(o.Notices) > 0 {
			return "told"
		}
		for _, x := range o.Suppressed {
			if x.TaskKey == first.TaskKey {
				return x.Reason
			}
		}
		return "none"
	}
	for _, c := range []struct {
		name   string
		change func(*cycle.Snapshot, *cycle.Member)
		want   reminder.Reason
	}{
		{"told on this rung", func(*cycle.Snapshot, *cycle.Member) {}, reminder.AlreadyTold},
		{"snoozed", func(_ *cycle.Snapshot, m *cycle.Member) {
			m.Answers = answers(first, reminder.Answer{Kind: reminder.Later, Day: today - 1, Until: today + 5})
			m.Past = nil
		}, reminder.Snoozed},
		{"booking asked", func(_ *cycle.Snapshot, m *cycle.Member) {
			m.Answers = answers(first, reminder.Answer{Kind: reminder.Book, Day: today - 1})
		}, reminder.BookedAsked},
		{"opted out", func(c *cycle.Snapshot, _ *cycle.Member) {
			c.OptedOut = map[string]bool{first.Person: true}
		}, reminder.OptedOut},
		{"an address that does not work", func(c *cycle.Snapshot, _ *cycle.Member) {
			c.Bad = map[string]bool{first.Person: true}
		}, reminder.BadAddress},
		{"sold", func(_ *cycle.Snapshot, m *cycle.Member) { m.Coach.Sold = today - 1 }, reminder.CoachSold},
		{"unanswered twice", func(_ *cycle.Snapshot, m *cycle.Member) {
			p := past
			p.Covers, p.Day = nil, today-20
			for _, key := range first.Covers {
				taskKey, _, _ := strings.Cut(key, "#")
				p.Covers = append(p.Covers, taskKey+"#9") // a rung that is not due
			}
			q := p
			q.Day -= 20
			m.Past = []reminder.Past{p, q}
		}, reminder.CallList},
		{"too soon", func(_ *cycle.Snapshot, m *cycle.Member) {
			p := past
			p.Covers, p.TaskKey, p.Day = nil, "other", today-13
			m.Past = []reminder.Past{p}
		}, reminder.TooSoon},
		{"year full", func(_ *cycle.Snapshot, m *cycle.Member) {
			m.Past = nil
			for i := range 5 {
				m.Past = append(m.Past, reminder.Past{Person: first.Person, Day: today - civil.Date(20+20*i), Answered: true})
			}
		}, reminder.YearFull},
	} {
		if got := why(c.change); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Nobody is written to outside the sending days and hours of their own zone.
func TestSendingHours(t *testing.T) {
	tl, s := demo(t)
	found := cycle.Rehearse(tl, s, today+400, cycle.AllDone).Notices
	if len(found) < 50 {
		t.Fatalf("only %d notices", len(found))
	}
	last := map[string]civil.Date{}
	year := map[string]int{}
	for _, x := range found {
		n := x.Notice
		if n.Task == coach.SafetyStop { // leaves on any day
			continue
		}
		if d := n.NotBefore.Weekday().String()[:3]; !slices.Contains(tl.Engine.Rules.Manners.SendDays, d) ||
			n.NotBefore.Hour() != tl.Engine.Rules.Manners.SendFrom {
			t.Errorf("%s is sent on %v", n.Key, n.NotBefore)
		}
		who := string(n.Coach) + n.Person
		if l, ok := last[who]; ok && l.DaysUntil(x.Day) < 14 {
			t.Errorf("%s hears twice within %d days", who, l.DaysUntil(x.Day))
		}
		last[who] = x.Day
		if x.Day <= today+364 {
			year[who]++
		}
	}
	for who, n := range year {
		if n > tl.Engine.Rules.Manners.PerYear {
			t.Errorf("%s hears %d times a year", who, n)
		}
	}
}

// A need is pulled before the season, and a longer rehearsal begins with the
// shorter one: nothing depends on how far one looks.
func TestRehearsalIsAPrefix(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "magpie-05")
	long := cycle.Rehearse(tl, s, today+300, cycle.AllDone).Notices
	short := cycle.Rehearse(tl, s, today+150, cycle.AllDone).Notices
	if len(short) == 0 || len(long) < len(short) {
		t.Fatalf("%d and %d notices", len(short), len(long))
	}
	if diff := cmp.Diff(short, long[:len(short)]); diff != "" {
		t.Errorf("the longer rehearsal begins differently:\n%s", diff)
	}
}

func TestNeedsArePulledBeforeTheSeason(t *testing.T) {
	tl, s := demo(t)
	for _, o := range cycle.Evaluate(tl, s).Outcomes {
		for _, k := range o.Tasks {
			if o.Setting.Season.IsZero() || k.Kind != coach.ReplaceBulb && k.Kind != coach.ReplaceSeal &&
				k.Kind != coach.Rebond {
				continue
			}
			if o.Setting.Season.Holds(k.Target) {
				t.Errorf("%s %s %s is planned inside the season, on %s", o.Coach, k.Kind, k.Run, k.Target)
			}
			if k.Earliest > k.Target || k.Target > k.Latest && o.Setting.Season.Holds(k.Latest) {
				t.Errorf("%s %s: %s, %s, %s", o.Coach, k.Run, k.Earliest, k.Target, k.Latest)
			}
		}
	}
}

// Who does all that is asked is called about dangers alone, and only who cannot be written
// to is called about the rest.
func TestDoersAreNotCalled(t *testing.T) {
	tl, s := demo(t)
	r := cycle.Rehearse(tl, s, today+500, cycle.AllDone)
	for _, c := range r.Calls {
		if c.Reason == string(coach.SafetyStop) || c.Person == "Vi" && c.Reason == string(reminder.NoAddress) {
			continue
		}
		t.Errorf("%s: %s is on the call list for %s: %s", c.Day, c.Person, c.TaskKey, c.Reason)
	}
}

// When nobody answers, the shop's call list takes over instead of a third mail.
func TestUnansweredGoToTheCallList(t *testing.T) {
	tl, s := demo(t)
	r := cycle.Rehearse(tl, only(s, "wren-02"), today+300, cycle.Nothing)
	if len(r.Calls) == 0 || len(r.Notices) < 2 {
		t.Fatalf("%d notices, %d calls", len(r.Notices), len(r.Calls))
	}
	named := map[string]int{}
	for _, n := range r.Notices {
		for _, key := range n.Notice.Covers {
			task, _, _ := strings.Cut(key, "#")
			if named[task]++; named[task] > tl.Engine.Rules.Manners.Unanswered {
				t.Errorf("%s is named in %d unanswered messages", task, named[task])
			}
		}
	}
}

// No change changes nothing, and shelter never shortens a life.
func TestWhatIf(t *testing.T) {
	tl, s := demo(t)
	for i := range s.Members {
		c := &s.Members[i].Coach
		if i == 1 { // only today's place is known
			c.Stays[0].From = today
		}
		if n := len(c.Stays); i == 0 { // the last stay ended long ago: its last year repeats
			c.Stays = slices.Clone(c.Stays[:n-1])
		}
		was := tl.Assess(c, today)
		same, under := tl.WhatIf(c, today), tl.WhatIf(c, today, func(s *coach.Stay) { s.Shelter = coach.Indoor })
		a, b := tl.Assess(&same, today), tl.Assess(&under, today)
		for j, f := range was.Forecasts {
			if d := int(a.Forecasts[j].Likely - f.Likely); d < -1 || d > 1 {
				t.Errorf("%s %s/%s: moved by %d days under no change", c.ID, f.Run, f.Part, d)
			}
			if g := b.Forecasts[j]; g.Governing == coach.Weathering && g.Likely < f.Likely-1 {
				t.Errorf("%s %s/%s: indoors %s, as it is %s", c.ID, f.Run, f.Part, g.Likely, f.Likely)
			}
		}
	}
}

// A danger is one message that does not wait its turn, silences everything else
// about its room, and is not settled by a word.
func TestDangerSpeaksAlone(t *testing.T) {
	tl, s := demo(t)
	s = only(s, "lark-11")
	o := cycle.Evaluate(tl, s).Outcomes[0]
	if len(o.Tasks) != 1 || len(o.Notices) != 1 || o.Notices[0].Task != coach.SafetyStop {
		t.Fatalf("%d tasks, %d notices", len(o.Tasks), len(o.Notices))
	}
	m := s.Members[0]
	m.Past = []reminder.Past{{Person: o.Notices[0].Person, Task: coach.Clean, Day: today - 1, Covers: []string{"other#0"},
		TaskKey: "other"}}
	s.Members = []cycle.Member{m}
	if n := cycle.Evaluate(tl, s).Notices(); len(n) != 1 {
		t.Errorf("%d messages the day after another one", len(n))
	}
	m.Answers = answers(o.Notices[0], reminder.Answer{Kind: reminder.Done, Day: today})
	m.Past = nil
	s.Members = []cycle.Member{m}
	for _, c := range []struct{ after, want int }{{1, 0}, {60, 1}} {
		later := s
		later.Today = today.Add(c.after)
		if n := cycle.Evaluate(tl, later).Notices(); len(n) != c.want {
			t.Errorf("%d days after a mere word: %d messages, want %d", c.after, len(n), c.want)
		}
	}
	m.Coach.Services = append(slices.Clone(m.Coach.Services), coach.Service{Day: today + 2, Kind: coach.ReplaceSeal,
		By: "shop", Slide: "bunk"})
	s.Members, s.Today = []cycle.Member{m}, today+60
	for _, k := range cycle.Evaluate(tl, s).Outcomes[0].Tasks {
		if k.Kind == coach.SafetyStop {
			t.Error("the shop's repair did not settle it")
		}
	}
}
