// Package desk is everything a person can do: import coaches, answer a message,
// look at the state of things. Each action checks that it is allowed.
//
// It imports cycle, store, intake and the packages below; web, api, demo and cli
// call it, never the store itself.
package desk

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html"
	"maps"
	"slices"
	"strings"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/intake"
	"sealmanac/internal/reminder"
	"sealmanac/internal/store"
	"sealmanac/internal/wording"
)

// Desk acts on one store.
type Desk struct {
	DB         *store.DB
	Signer     *Signer
	Words      *wording.Catalogue // languages; nil: English
	Snooze     int                // days that "not now" lasts
	Now        func() time.Time
	Domain     string          // right side of Message-IDs of mails to the shop
	HooksAllow []string        // hosts that events may be sent to although they lie inside
	Places     *climate.Tables // for coach files written on the pages
	// ToolsFor returns what an account's coaches are dated with; nil: pages that date
	// are off.
	ToolsFor func(ctx context.Context, id coach.AccountID) (cycle.Tools, error)
	Titles   func(coach.TaskKind) string // of tasks, in English; nil: their words
	// Replan asks for a new plan of an account soon; nil: the nightly pass makes it.
	Replan func(ctx context.Context, tx *store.Tx, id coach.AccountID) error
	// Enqueue makes the jobs of new notices; nil: upkeep finds them.
	Enqueue func(ctx context.Context, tx *store.Tx, ns []reminder.Notice) error
}

func (d *Desk) replan(ctx context.Context, tx *store.Tx, id coach.AccountID) error {
	if d.Replan == nil {
		return nil
	}
	return d.Replan(ctx, tx, id)
}

// Import stores what was read into an account, all of it or nothing. The account
// must exist or come with the file.
func (d *Desk) Import(ctx context.Context, id coach.AccountID, c intake.Content) error {
	if err := c.Problems.Err(); err != nil {
		return err
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if c.Shop != nil {
			shop := *c.Shop
			shop.ID = id
			if err := tx.SaveAccount(ctx, shop); err != nil {
				return err
			}
		}
		account, err := tx.Account(ctx, id, true)
		if err != nil {
			return err
		}
		today := d.today(account)
		if err := keepWorkshop(ctx, tx, id, c.Workshop, today); err != nil {
			return err
		}
		cs, err := d.onto(ctx, tx, id, today, c)
		if err != nil {
			return err
		}
		if err := keepStops(ctx, tx, id, today, cs); err != nil {
			return err
		}
		if _, err := tx.SaveCoaches(ctx, id, cs); err != nil {
			return err
		}
		return saveBooked(ctx, tx, id, c.BookingFiles, c.Booked)
	})
}

// onto returns the coaches of what was read: those of lists upon what is on record, with
// which they must make a sound record.
func (d *Desk) onto(ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date, c intake.Content) ([]coach.Coach, error) {
	out := slices.Clone(c.Coaches)
	var bad []string
	for i := range out {
		l, listed := c.Listed[out[i].ID]
		if !listed {
			continue
		}
		old, _, err := tx.CoachDoc(ctx, id, out[i].ID)
		if fault.KindOf(err) == fault.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		out[i] = l.Onto(old, out[i], today)
		text, err := intake.Records(d.Places, out[i])
		if err != nil {
			return nil, err
		}
		whole := intake.ReadTrees(intake.Options{Today: today, Places: d.Places}, []intake.Text{intake.TextOf(text[0])})[0]
		for _, line := range whole.Problems.Wrong().Lines() {
			bad = append(bad, strings.TrimPrefix(line, "item 0: "))
		}
	}
	if len(bad) > 0 {
		return nil, fault.New(fault.Invalid, "with what is on record the list does not fit: "+strings.Join(bad, "; "), "Mend the list, or the record; nothing was stored.")
	}
	return out, nil
}

// saveBooked stores the bookings that came beside the coaches. Each file replaces
// what it said before, also when it says nothing now.
func saveBooked(ctx context.Context, tx *store.Tx, id coach.AccountID, files []string, booked map[coach.ID][]coach.Booking) error {
	for _, f := range files {
		if err := tx.DropBookings(ctx, id, f); err != nil {
			return err
		}
	}
	for _, c := range slices.Sorted(maps.Keys(booked)) {
		by := map[string][]coach.Booking{}
		for _, b := range booked[c] {
			by[b.Source] = append(by[b.Source], b)
		}
		for _, source := range slices.Sorted(maps.Keys(by)) {
			if err := tx.SaveBookings(ctx, id, c, source, by[source]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Question is what a link asks to be confirmed.
type Question struct {
	Kind    reminder.AnswerKind
	Account coach.Account
	Notice  reminder.Notice
	Until   civil.Date     // for Later: not before this day
	Settled bool           // the same answer was given before
	Today   civil.Date     // the shop's day
	Words   *wording.Words // of the person asked
}

// Ask reads a link and says what it would do. It changes nothing, so that link
// scanners do no harm.
func (d *Desk) Ask(ctx context.Context, token string) (q Question, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		q, err = d.ask(ctx, tx, token)
		return err
	})
	return q, err
}

func (d *Desk) ask(ctx context.Context, tx *store.Tx, token string) (q Question, err error) {
	link, err := d.Signer.Read(token, civil.FromTime(d.Now().UTC()))
	if err != nil {
		return q, err
	}
	row, err := tx.NoticeByLink(ctx, link.ID)
	if err != nil {
		if fault.KindOf(err) == fault.NotFound {
			return q, errLink
		}
		return q, err
	}
	q.Kind, q.Settled = link.Kind, row.AnsweredAt != nil && (link.Kind == reminder.Done || link.Kind == reminder.Book || link.Kind == reminder.Later)
	if q.Notice, err = row.Notice(); err != nil {
		return q, err
	}
	if q.Notice.Task == coach.SafetyStop && q.Kind == reminder.Later {
		return q, errStop
	}
	q.Words = d.Words.In(q.Notice.Language)
	q.Account, err = tx.Account(ctx, q.Notice.Account, false)
	q.Today = d.today(q.Account)
	q.Until = q.Today.Add(d.Snooze)
	return q, err
}

// today is the shop's day: what an owner says is dated by it.
func (d *Desk) today(a coach.Account) civil.Date {
	return civil.FromTime(d.Now().In(a.Location()))
}

// Answer does what a link says, with what the person added. Doing it twice changes
// nothing more.
func (d *Desk) Answer(ctx context.Context, token string, details Details) (q Question, err error) {
	err = d.DB.Update(ctx, func(tx *store.Tx) error {
		if q, err = d.ask(ctx, tx, token); err != nil {
			return err
		}
		x, err := details.read(q, d.today(q.Account))
		if err != nil {
			return err
		}
		// No pass over the account runs until this is written down.
		if _, err := tx.Account(ctx, q.Account.ID, true); err != nil {
			return err
		}
		switch q.Kind {
		case reminder.Stop:
			return d.stop(ctx, tx, q)
		case reminder.Sold, reminder.Moved:
			if err := d.ofCoach(ctx, tx, q, x); err != nil {
				return err
			}
		default:
			if err := d.answer(ctx, tx, q, x); err != nil {
				return err
			}
		}
		return tx.AddEvents(ctx, q.Account.ID, answered(q))
	})
	return q, err
}

// answered is the event of an answer.
func answered(q Question) store.Happened {
	n := q.Notice
	h := store.Happened{Kind: "task.answered", Coach: n.Coach, Data: map[string]any{"answer": q.Kind, "person": n.Person, "task": n.Task, "run": n.Run, "notice": n.LinkID[:12]}}
	switch q.Kind {
	case reminder.Done:
		h.Kind = "task.done"
	case reminder.Later:
		h.Kind, h.Data["until"] = "task.declined", q.Until
	case reminder.Book:
		h.Kind = "visit.asked"
	case reminder.Sold:
		h.Kind = "coach.transferred"
	case reminder.Moved:
		h.Kind = "coach.moved"
	}
	return h
}

func (d *Desk) stop(ctx context.Context, tx *store.Tx, q Question) error {
	if err := tx.OptOut(ctx, q.Account.ID, q.Notice.Person); err != nil {
		return err
	}
	if _, err := tx.Withdraw(ctx, q.Account.ID, q.Notice.Person, ""); err != nil {
		return err
	}
	return tx.AddEvents(ctx, q.Account.ID, store.Happened{Kind: "notice.opted_out", Coach: q.Notice.Coach, Data: map[string]any{"person": q.Notice.Person}})
}

// answer records the answer for every task of the leading kind that the message
// named; work that is done is recorded as a service, which re-dates the task.
func (d *Desk) answer(ctx context.Context, tx *store.Tx, q Question, x detailed) error {
	n, today := q.Notice, d.today(q.Account)
	a := reminder.Answer{Kind: q.Kind, Day: today}
	if n.IsLot() {
		a.TaskKey = n.TaskKey
		if err := tx.AddAnswer(ctx, n.Account, n.Coach, n.Person, a); err != nil {
			return err
		}
		if q.Kind == reminder.Book {
			return d.tellShop(ctx, tx, q)
		}
		return nil
	}
	if q.Kind == reminder.Later {
		a.Until = q.Until
	}
	for _, key := range n.Covers {
		taskKey, run, ok := reminder.Covered(key, n.Task)
		if !ok {
			continue
		}
		a.TaskKey = taskKey
		before, err := tx.HasAnswer(ctx, n.Account, n.Coach, taskKey, reminder.Done)
		if err != nil {
			return err
		}
		if err := tx.AddAnswer(ctx, n.Account, n.Coach, n.Person, a); err != nil {
			return err
		}
		if _, err := tx.Withdraw(ctx, n.Account, "", taskKey); err != nil {
			return err
		}
		if q.Kind == reminder.Done && Care(n.Task) && !before {
			s := coach.Service{Day: x.day, Kind: n.Task, By: "owner", Note: "answered by mail, " + n.Person}
			if x.product != "" {
				s.Note += "; " + x.product
			}
			slide, rest, _ := strings.Cut(run, "/") // "galley/outer/top", or a slide alone
			s.Slide, s.Run = coach.SlideID(slide), rest
			if err := tx.AddService(ctx, n.Account, n.Coach, s); err != nil {
				return err
			}
		}
	}
	if q.Kind == reminder.Book {
		return d.tellShop(ctx, tx, q)
	}
	if x.height > 0 {
		slide, run, _ := strings.Cut(n.Run, "/")
		return tx.AddReading(ctx, n.Account, n.Coach, coach.Reading{Day: x.day, Slide: coach.SlideID(slide), Run: run, Part: coach.Bulb, Kind: coach.BulbHeight, Value: float64(x.height), By: "owner", Note: "answered by mail, " + n.Person})
	}
	return nil
}

// tellShop writes to the shop that somebody wants to be booked in.
func (d *Desk) tellShop(ctx context.Context, tx *store.Tx, q Question) error {
	if q.Account.Email == "" {
		return nil // sealmanac requests shows it
	}
	n := q.Notice
	return d.toShop(ctx, tx, q.Account, sha256.Sum256([]byte("book|"+n.Key)), reminder.Notice{
		Key: "book|" + n.Key, Coach: n.Coach, Task: n.Task, TaskKey: "shop|" + n.TaskKey, Run: n.Run, Target: n.Target, Why: n.Why, ReplyTo: n.Person,
		Subject: "Booking asked for: " + n.Subject,
		Text: fmt.Sprintf("%s <%s> asks for an appointment.\n\nCoach:   %s\nAbout:   %s\nWhere:   %s\nTarget:  %s\n\n%s\n\nAnswer this mail to write to them. 'sealmanac requests' lists all open requests.\n",
			n.PersonName, n.Person, n.Coach, n.Subject, n.Run, n.Target.Long(), n.Why),
	})
}

// toShop sends a mail to the shop at once; sum makes its identity, so that the same
// thing is not told twice.
func (d *Desk) toShop(ctx context.Context, tx *store.Tx, a coach.Account, sum [32]byte, m reminder.Notice) error {
	return d.enqueue(ctx, tx, a, d.letter(tx, a, sum, m))
}

// letter completes a mail that is no reminder; it goes to the shop unless its person
// is changed.
func (d *Desk) letter(tx *store.Tx, a coach.Account, sum [32]byte, m reminder.Notice) reminder.Notice {
	m.Account, m.Person, m.PersonName, m.From, m.NotBefore = a.ID, a.Email, a.Name, a.Name, tx.Now()
	m.LinkID = hex.EncodeToString(sum[:16])
	m.MessageID = "<" + m.LinkID + "@" + d.Domain + ">"
	m.HTML = "<pre style=\"white-space: pre-wrap; font: 16px/1.5 Georgia, serif\">" + html.EscapeString(m.Text) + "</pre>"
	return m
}

func (d *Desk) enqueue(ctx context.Context, tx *store.Tx, a coach.Account, m reminder.Notice) error {
	added, err := tx.AddNotices(ctx, d.today(a), []reminder.Notice{m})
	if err != nil || d.Enqueue == nil {
		return err
	}
	return d.Enqueue(ctx, tx, added)
}

// Requests returns what an account's people wait for: bookings asked for in the
// last 90 days, as long as no day is agreed, and the call list of the last pass.
func (d *Desk) Requests(ctx context.Context, id coach.AccountID) (out []store.Request, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err := tx.Account(ctx, id, false)
		if err == nil {
			out, err = waiting(ctx, tx, id, d.today(a))
		}
		return err
	})
	return out, err
}

func waiting(ctx context.Context, tx *store.Tx, id coach.AccountID, today civil.Date) ([]store.Request, error) {
	out, err := tx.Requests(ctx, id, today-90)
	if err != nil {
		return nil, err
	}
	shop, err := tx.Workshop(ctx, id)
	if err != nil {
		return nil, err
	}
	known := map[string]coach.Coach{}
	return slices.DeleteFunc(out, func(q store.Request) bool {
		c, ok := known[q.Coach]
		if !ok {
			var e error
			if c, _, e = tx.Coach(ctx, id, coach.ID(q.Coach)); e != nil && fault.KindOf(e) != fault.NotFound {
				err = e
			}
			known[q.Coach] = c
		}
		return settled(q, &c, shop, today)
	}), err
}

// settled reports whether nobody waits any more: a day is agreed, the work was done on
// the day of the answer or later, or the danger is over.
func settled(q store.Request, c *coach.Coach, shop *coach.Workshop, today civil.Date) bool {
	kind, address, _ := strings.Cut(q.TaskKey, "|")
	address, _, _ = strings.Cut(address, "|")
	slide, run := slideRun(address)
	said, err := civil.Parse(q.Day)
	if q.Kind == "call" || err != nil || kind == "lot" || kind == string(coach.BookedVisit) {
		return false
	}
	if q.Kind == "book" && slices.ContainsFunc(shop.Agreed(), func(p coach.Pin) bool { return string(p.Coach) == q.Coach && p.Day >= today }) {
		return true
	}
	if kind == string(coach.SafetyStop) {
		_, held := c.DangerOn(slide, today)
		return !held
	}
	if coach.TaskKind(kind).Renews() && renewed(c, slide, run, said) {
		return true
	}
	return slices.ContainsFunc(c.Services, func(s coach.Service) bool {
		return s.By == "shop" && s.Day >= said && s.Covers(slide, run) && (string(s.Kind) == kind || s.Kind == coach.ReplaceSeal && coach.TaskKind(kind).Renews())
	})
}

// renewed reports whether a run carries a part that was fitted on a day or later.
func renewed(c *coach.Coach, slide coach.SlideID, run string, since civil.Date) bool {
	s := c.FindSlide(slide)
	return s != nil && slices.ContainsFunc(s.Runs, func(r coach.Run) bool {
		return (run == "" || r.Key() == run) && slices.ContainsFunc(r.Parts, func(p coach.Part) bool { return p.Fitted >= since })
	})
}

// Resume switches a person's reminders on again, also after an address was found
// not to work.
func (d *Desk) Resume(ctx context.Context, id coach.AccountID, person string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.Account(ctx, id, false); err != nil {
			return err
		}
		good, err := tx.MarkGood(ctx, id, person)
		if err != nil {
			return err
		}
		outs, err := tx.OptOuts(ctx, id)
		said, e := tx.DropReports(ctx, id, person)
		if err == nil {
			err = e
		}
		if err != nil || (good || said > 0) && !outs[person] {
			return err
		}
		if !outs[person] {
			return fault.New(fault.NotFound, fmt.Sprintf("%s has not stopped the reminders of account %q", person, id), "Write the address as it stands in the coach file, in lower case.")
		}
		return tx.OptIn(ctx, id, person)
	})
}

// Care reports whether "done" alone re-dates a kind of task. A replacement needs
// the new part's particulars, which the shop records.
func Care(k coach.TaskKind) bool {
	switch k {
	case coach.Clean, coach.Lubricate, coach.Exercise, coach.Inspect, coach.WaterTest:
		return true
	}
	return false
}

// Status is what an operator sees at a glance; it names no person.
type Status struct {
	Store  string
	Passes []store.PassRow
	Counts map[reminder.State]int
	Oldest time.Time // when the oldest open notice was due; zero: none is open
}

// Status reads the state of the store.
func (d *Desk) Status(ctx context.Context) (s Status, err error) {
	s.Store = d.DB.Name()
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		if s.Passes, err = tx.Passes(ctx); err != nil {
			return err
		}
		s.Counts, s.Oldest, err = tx.Counts(ctx)
		return err
	})
	return s, err
}

// Notices returns an account's newest notices.
func (d *Desk) Notices(ctx context.Context, id coach.AccountID, most int) (rows []store.NoticeRow, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		rows, err = tx.Notices(ctx, id, most)
		return err
	})
	return rows, err
}

var errLink = fault.New(fault.NotFound, "this link is not valid, or not any more", "Use the newest message, or write to the shop.")
