// Package reminder chooses, for each coach and person, the one message that is
// due today, with a named reason for every message that is not sent, and writes
// its words.
//
// It is pure and imports coach, plan, rulebook and row 0. Package cycle calls
// it; store keeps its notices; delivery sends them and moves their states.
package reminder

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/plan"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wording"
)

// State is where a notice stands.
//
//	queued ─▶ sending ─▶ accepted
//	             │  ▲
//	             ▼  │
//	           retry        sending ─▶ given_up
//	queued/retry ─▶ withdrawn
type State string

// The states of a notice.
const (
	Queued    State = "queued"    // made, waits for its time
	Sending   State = "sending"   // one worker has it
	Accepted  State = "accepted"  // the server took it
	Retry     State = "retry"     // the server said: later
	GivenUp   State = "given_up"  // the server said: never, or too many tries
	Withdrawn State = "withdrawn" // the reason for it went away
)

// Reason names why nobody is told about a task today.
type Reason string

// The reasons, from "later" to "never".
const (
	NotYet       Reason = "not_yet"       // no rung applies yet
	AlreadyTold  Reason = "already_told"  // told on this rung
	Merged       Reason = "merged"        // inside another message of today
	TooSoon      Reason = "too_soon"      // fewer than the days between two messages
	YearFull     Reason = "year_full"     // this year's messages are used up
	Snoozed      Reason = "snoozed"       // the person asked for later
	BookedAsked  Reason = "booking_asked" // the shop has the request
	CallList     Reason = "call_list"     // unanswered too often: the shop calls
	OptedOut     Reason = "opted_out"     // the person said stop
	NoAddress    Reason = "no_address"    // nobody to write to
	BadAddress   Reason = "bad_address"   // a mail server said that the address does not exist
	CoachSold    Reason = "sold"          // not this person's coach any more
	DoneReported Reason = "done_reported" // the person said it is done
	Booked       Reason = "booked"        // a day is agreed with the shop
	NoConsent    Reason = "no_consent"    // the rulebook asks for a recorded consent
	Reached      Reason = "reached"       // the shop spoke with the person
	ByPhone      Reason = "by_phone"      // the shop chose to call instead of writing
	TakenIn      Reason = "taken_in"      // other work that is asked for does it
	TooLate      Reason = "too_late"      // it would make no sense any more when the message leaves
)

// Calls reports whether a reason leaves it to the shop to call: the task is due, and no
// message about it reaches the person.
func (r Reason) Calls() bool {
	switch r {
	case CallList, OptedOut, NoAddress, BadAddress, NoConsent, ByPhone:
		return true
	}
	return false
}

// Notice is one message to one person about one coach on one rung.
type Notice struct {
	Key        string // identity: account, coach, task, rung, person
	Account    coach.AccountID
	Coach      coach.ID
	Person     string // e-mail address
	PersonName string
	Task       coach.TaskKind
	TaskKey    string
	Run        string
	Rung       int
	Rungs      int
	Target     civil.Date
	Why        string
	Covers     []string  // rung keys of all tasks named in the message
	NotBefore  time.Time // start of the person's next sending hours
	From       string    // shop's name
	ReplyTo    string
	Subject    string
	Text       string
	HTML       string
	StopLink   string
	MessageID  string
	LinkID     string // names the notice in its links, 32 hex digits
	Language   string // tag of the language it is written in
	Try        int    // which attempt at sending this is; 0: none was made
	Hold       string // why it waits for a person's decision; "": it does not
}

// Suppressed is a message that is not sent, and why.
type Suppressed struct {
	Coach   coach.ID
	Person  string
	TaskKey string
	Reason  Reason
}

// Past is what memory holds about an earlier message.
type Past struct {
	Person   string
	Task     coach.TaskKind
	Covers   []string
	TaskKey  string
	Day      civil.Date
	Answered bool
}

// Answer is what a person said about a task.
type Answer struct {
	TaskKey string
	Kind    AnswerKind
	Day     civil.Date // when it was said
	Until   civil.Date // Later: not before
}

// AnswerKind is what a person can say from a message.
type AnswerKind string

// The answers. Stop is about the person, Sold and Moved about the coach, the others
// about a task.
const (
	Done  AnswerKind = "done"
	Book  AnswerKind = "book"
	Later AnswerKind = "later"
	Stop  AnswerKind = "stop"
	Sold  AnswerKind = "sold"  // about the coach
	Moved AnswerKind = "moved" // about the coach
	// NotSold takes Sold back, Restart takes Stop back; no message offers them, only the
	// pages that confirm those.
	NotSold AnswerKind = "not_sold"
	Restart AnswerKind = "restart"
)

// AnswerKinds lists them in the order the message shows them; links hold the place
// in this list, so it only grows at its end.
var AnswerKinds = []AnswerKind{Done, Book, Later, Stop, Sold, Moved, NotSold, Restart}

// Links are the addresses a message offers.
type Links map[AnswerKind]string

// Linker makes the links of a notice. They are unguessable; package desk signs
// and reads them.
type Linker interface {
	Links(n *Notice) Links
}

// Pager makes the address of a coach's page for its people; a Linker may be one.
type Pager interface {
	Page(id coach.AccountID, c *coach.Coach) string
}

// Input is what the choice for one coach depends on.
type Input struct {
	Account  *coach.Account
	Coach    *coach.Coach
	Tasks    []plan.Task
	Past     []Past
	Answers  []Answer
	Calls    []Call
	OptedOut func(email string) bool
	Bad      func(email string) bool // addresses that do not work; nil: none
	Today    civil.Date
	Now      time.Time // zero: the start of Today
	Rules    *rulebook.Rulebook
	Links    Linker
	Domain   string             // right side of Message-IDs
	Words    *wording.Catalogue // languages; nil: English
	Pins     []coach.Pin        // days agreed with the shop, of all coaches

	words *wording.Words // of the person who is written to
	leave civil.Date     // when the message leaves, where the person is
}

// language returns the words for a person.
func (in *Input) language(p *coach.Person) *wording.Words {
	return in.Words.In(cmp.Or(p.Language, in.Account.Language))
}

// rungKey names a rung of a task. After a "not now" has run out the rungs begin
// anew, with the day it ran out in their names.
func rungKey(taskKey string, rung int, anew civil.Date) string {
	if anew == 0 {
		return fmt.Sprintf("%s#%d", taskKey, rung)
	}
	return fmt.Sprintf("%s#%d~%s", taskKey, rung, anew)
}

// Covered returns the task key and the run of a rung key of kind, as Covers
// holds them; ok is false for another kind.
func Covered(rungKey string, kind coach.TaskKind) (taskKey, run string, ok bool) {
	taskKey, _, _ = strings.Cut(rungKey, "#")
	f := strings.Split(taskKey, "|")
	if len(f) < 3 || f[0] != string(kind) {
		return "", "", false
	}
	return taskKey, f[1], true
}

// RungAt returns the one rung that applies when a task is left days away, or -1:
// the last whose lead has come. After a long silence only that one fires.
func RungAt(lead []int, left int) int {
	for i := len(lead) - 1; i >= 0; i-- {
		if left <= lead[i] {
			return i
		}
	}
	return -1
}

// candidate is a task whose rung is due for a person.
type candidate struct {
	task *plan.Task
	rung int
	anew civil.Date // the rungs begin anew from this day; 0: they never did
}

func (c candidate) key() string { return rungKey(c.task.Key(), c.rung, c.anew) }

// Due returns today's notices for one coach, at most one per person, and the
// reasons for the rest. A coach without people has the reasons of an owner whom nobody
// knows, so that it stands on the call list. The result depends on nothing but its input.
func Due(in Input) (notices []Notice, rest []Suppressed) {
	if len(in.Coach.People) == 0 {
		return in.forPerson(&coach.Person{Role: coach.Owner})
	}
	for i := range in.Coach.People {
		n, s := in.forPerson(&in.Coach.People[i])
		notices, rest = append(notices, n...), append(rest, s...)
	}
	return notices, rest
}

func (in *Input) forPerson(p *coach.Person) (notices []Notice, rest []Suppressed) {
	say := func(t *plan.Task, r Reason) {
		rest = append(rest, Suppressed{in.Coach.ID, p.Ref(), t.Key(), r})
	}
	var due []candidate
	tasks, taken := in.once(p)
	for i := range tasks {
		t := &tasks[i]
		rung := RungAt(in.Rules.Tasks[t.Kind].Rungs(p.Role), in.Today.DaysUntil(t.Target))
		c := candidate{task: t, rung: rung}
		switch r := in.against(p, &c); {
		case taken[i] && (r == "" || r == AlreadyTold || r.Calls()):
			say(t, TakenIn)
		case r != "":
			say(t, r)
		case t.Ends && t.Latest < in.leaveDay(p, t):
			say(t, TooLate)
		default:
			due = append(due, c)
		}
	}
	if len(due) == 0 {
		return nil, rest
	}
	slices.SortStableFunc(due, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(in.weight(b.task), in.weight(a.task)), cmp.Compare(a.task.Target, b.task.Target))
	})
	if r := in.manners(p, due[0].task.Kind); r != "" {
		for _, c := range due {
			say(c.task, r)
		}
		return nil, rest
	}
	due, later := in.share(due)
	for _, c := range due[1:] {
		say(c.task, Merged)
	}
	for _, c := range later {
		say(c.task, TooSoon)
	}
	return []Notice{in.write(p, due)}, rest
}

// weight orders the tasks of a message; nothing comes before a safety stop, whatever a
// rulebook says.
func (in *Input) weight(t *plan.Task) int {
	if t.Kind == coach.SafetyStop {
		return math.MaxInt
	}
	return in.Rules.Tasks[t.Kind].Weight
}

// against returns why a person is not told about a task on a rung, or "". It
// fills in from when the rungs begin anew. What makes the task wait comes before what
// keeps the person from being written to: only a task that is due now needs a call.
func (in *Input) against(p *coach.Person, c *candidate) Reason {
	switch {
	case in.Coach.Sold != 0 && in.Today >= in.Coach.Sold:
		return CoachSold
	case c.rung < 0:
		return NotYet
	case pinned(in.Rules, in.Pins, in.Coach.ID, c.task.Kind, c.task.Target, in.Today):
		return Booked
	}
	if r := in.answered(c); r != "" {
		return r
	}
	if r := in.called(p, c); r != "" {
		return r
	}
	switch {
	case p.Email == "":
		return NoAddress
	case in.Bad != nil && in.Bad(p.Email):
		return BadAddress
	case in.OptedOut != nil && in.OptedOut(p.Email):
		return OptedOut
	case in.Rules.Manners.NeedConsent && !agreed(p):
		return NoConsent
	}
	m := in.memory(p, c)
	rungs := len(in.Rules.Tasks[c.task.Kind].Rungs(p.Role))
	spent := m.unanswered >= in.Rules.Manners.Unanswered || m.told && m.unanswered > 0 && c.rung == rungs-1
	switch {
	case spent && m.last.DaysUntil(in.Today) >= in.Rules.Manners.GapDays:
		return CallList
	case spent, m.told:
		return AlreadyTold
	default:
		return ""
	}
}

// answered returns what an answer about the task asks for: silence until a day,
// until the shop has had time to book, or for good.
func (in *Input) answered(c *candidate) Reason {
	key := c.task.Key()
	for _, a := range in.Answers {
		if a.TaskKey != key {
			continue
		}
		reason, end := a.silence(c.task.Kind, in.Today, in.Rules.Manners.BookingDays)
		if reason != "" {
			return reason
		}
		c.anew = max(c.anew, end)
	}
	return ""
}

// remembered is what earlier messages to a person say about a task.
type remembered struct {
	told       bool // on this rung
	unanswered int  // messages that named the task
	last       civil.Date
}

// memory looks through the messages to a person for a task. What was said before
// the rungs began anew does not count.
func (in *Input) memory(p *coach.Person, c *candidate) (out remembered) {
	rk, taskKey := c.key(), c.task.Key()
	for i := range in.Past {
		m := &in.Past[i]
		if m.Person != p.Email || m.Day < c.anew {
			continue
		}
		out.told = out.told || slices.Contains(m.Covers, rk)
		answered := m.Answered && m.Task == c.task.Kind // an answer is about what the message led with
		if !answered && slices.ContainsFunc(m.Covers, func(c string) bool { return strings.HasPrefix(c, taskKey+"#") }) {
			out.unanswered++
			out.last = max(out.last, m.Day)
		}
	}
	return out
}

// manners returns why a person gets no message about this coach today, or "".
// Care may not use up the messages that are reserved for work at the shop.
func (in *Input) manners(p *coach.Person, lead coach.TaskKind) Reason {
	if lead == coach.SafetyStop || lead == coach.BookedVisit {
		return "" // neither danger nor a day that was agreed waits its turn
	}
	limit, year := in.Rules.Manners.PerYear, 0
	if in.Rules.Tasks[lead].Weight < rulebook.Work {
		limit -= in.Rules.Manners.Reserved
	}
	var last civil.Date
	for i := range in.Past {
		if m := &in.Past[i]; m.Person == p.Email {
			last = max(last, m.Day)
			if m.Day > in.Today-365 && m.Task != coach.SafetyStop && m.Task != coach.BookedVisit {
				year++ // dangers and agreed days use up nothing
			}
		}
	}
	switch {
	case last != 0 && last.DaysUntil(in.Today) < in.Rules.Manners.GapDays:
		return TooSoon
	case year >= limit:
		return YearFull
	default:
		return ""
	}
}

// zone returns where a person's day begins and ends: their own, else that of the
// coach's place, else the shop's, else UTC.
func (in *Input) zone(p *coach.Person) *time.Location {
	names := []string{p.Zone}
	if st, ok := in.Coach.StayOn(in.Today); ok {
		names = append(names, st.Site.Zone)
	}
	for _, n := range append(names, in.Account.Zone) {
		if loc, err := time.LoadLocation(n); err == nil && n != "" {
			return loc
		}
	}
	return time.UTC
}

// NextHours returns the start of the sending hours that now lies in, or of the
// next ones, on or after a day. A zero now means the start of the day.
func NextHours(m rulebook.Manners, today civil.Date, now time.Time, loc *time.Location) time.Time {
	for d := today; ; d++ {
		if slices.Contains(m.SendDays, d.Weekday().String()[:3]) && now.Before(d.In(loc, m.SendUntil, 0)) {
			return d.In(loc, m.SendFrom, 0)
		}
	}
}

// write makes the notice from the tasks due, the first leading.
func (in *Input) write(p *coach.Person, due []candidate) Notice {
	lead := due[0]
	n := Notice{
		Account: in.Account.ID, Coach: in.Coach.ID, Person: p.Email, PersonName: p.Name,
		Task: lead.task.Kind, TaskKey: lead.task.Key(), Run: lead.task.Run, Rung: lead.rung,
		Rungs:  len(in.Rules.Tasks[lead.task.Kind].Rungs(p.Role)),
		Target: lead.task.Target, Why: lead.task.Why.String(), NotBefore: in.leaves(p, lead.task),
		From: in.Account.Name, ReplyTo: in.Account.Email, Language: in.language(p).Lang(),
	}
	for _, c := range due {
		n.Covers = append(n.Covers, c.key())
	}
	n.Key = strings.Join([]string{string(n.Account), string(n.Coach), lead.key(), n.Person}, "|")
	sum := sha256.Sum256([]byte(n.Key))
	n.LinkID = hex.EncodeToString(sum[:16])
	n.MessageID = "<" + n.LinkID + "@" + in.Domain + ">"
	in.render(&n, p, due)
	return n
}
