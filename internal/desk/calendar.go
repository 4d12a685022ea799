package desk

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/emersion/go-ical"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cycle"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// Calendar is a secret address of a calendar.
type Calendar = store.Calendar

// CalendarKinds are the calendars there are: the shop's visits, the fleet's due
// windows, and one coach's days.
var CalendarKinds = []string{"shop", "fleet", "coach"}

// ahead is how far into the future calendars look.
const ahead = 400

// AddCalendar makes a calendar with an address that cannot be guessed; it is shown
// once.
func (d *Desk) AddCalendar(
	ctx context.Context, id coach.AccountID, by, kind string, c coach.ID, name string,
) (address string, err error) {
	if !slices.Contains(CalendarKinds, kind) || (kind == "coach") != (c != "") {
		return "", fault.New(fault.Invalid, "that is no calendar", "Choose shop or fleet, or coach with its short name.")
	}
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails
	secret := base64.RawURLEncoding.EncodeToString(b)
	hash := calendarHash(secret)
	return d.Signer.BaseURL + "/cal/" + secret + ".ics", d.DB.Update(ctx, func(tx *store.Tx) error {
		if c != "" {
			if _, _, err := tx.CoachDoc(ctx, id, c); err != nil {
				return err
			}
		}
		if err := tx.AddCalendar(ctx, Calendar{Account: string(id), Hash: hash, ID: hash[:8], Kind: kind, Coach: string(c),
			Name: oneLine(name, 60), MadeBy: by}); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "made calendar", kind, string(c))
	})
}

func calendarHash(secret string) string {
	sum := sha256.Sum256([]byte("calendar|" + secret))
	return hex.EncodeToString(sum[:])
}

// Calendars returns an account's calendars.
func (d *Desk) Calendars(ctx context.Context, id coach.AccountID) (out []Calendar, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		out, err = tx.Calendars(ctx, id)
		return err
	})
	return out, err
}

// RevokeCalendar ends a calendar's address.
func (d *Desk) RevokeCalendar(ctx context.Context, id coach.AccountID, by, calendar string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		ok, err := tx.RevokeCalendar(ctx, id, calendar)
		if err == nil && !ok {
			err = fault.New(fault.NotFound, "there is no such calendar", "Go back to the list.")
		}
		if err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "ended calendar", calendar, "")
	})
}

// CalendarText returns a calendar by its secret, as RFC 5545.
func (d *Desk) CalendarText(ctx context.Context, secret string) ([]byte, error) {
	var c Calendar
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		c, err = tx.CalendarByHash(ctx, calendarHash(secret))
		return err
	})
	if fault.KindOf(err) == fault.NotFound {
		return nil, fault.New(fault.NotFound, "this calendar does not exist, or not any more", "Ask for a new address.")
	}
	if err != nil {
		return nil, err
	}
	name := c.Name
	if name == "" {
		name = "Sealmanac " + c.Kind
	}
	return d.calendar(ctx, coach.AccountID(c.Account), coach.ID(c.Coach), c.Kind, name, nil)
}

// OwnerCalendar returns the calendar of a coach for its people.
func (d *Desk) OwnerCalendar(ctx context.Context, p *OwnerPage) ([]byte, error) {
	words := ownerWords(p)
	return d.calendar(ctx, p.Account.ID, p.Coach.ID, "coach", p.Coach.Name(), &words)
}

// keepEntries is how long calendars show what was cancelled and visits that are over: a
// phone that was off for weeks must still hear of them.
const keepEntries = 30

// calendar brings the entries of a kind up to date and writes them, in the shop's words
// if no others are given. It takes no lock on the account, so a pass does not make it
// wait: entries are only kept when they changed, each against the sequence that was read.
func (d *Desk) calendar(
	ctx context.Context, id coach.AccountID, c coach.ID, kind, name string, w *calWords,
) ([]byte, error) {
	tools, err := d.tools(ctx, id)
	if err != nil {
		return nil, err
	}
	var now shown
	read := func(tx *store.Tx) error {
		s, err := d.shown(ctx, tx, tools, id, c, kind)
		if err == nil && w == nil {
			s.words, err = d.shopWords(ctx, tx, s.account, c)
		}
		if err == nil {
			now = s
		}
		return err
	}
	if err := d.DB.View(ctx, read); err != nil {
		return nil, err
	}
	// A database that is busy keeps nobody from reading: what could not be kept in a moment
	// is compared again by the next reader.
	for try := 0; now.changed() && try < 3; try++ {
		err = d.DB.Update(store.Impatient(ctx, patience), func(tx *store.Tx) error {
			if err := read(tx); err != nil {
				return err
			}
			if err := tx.DropEntries(ctx, id, now.oldest()); err != nil {
				return err
			}
			kept, err := tx.SaveEntries(ctx, id, now.news)
			if err == nil && !kept {
				err = errEntries
			}
			return err
		})
		if !errors.Is(err, errEntries) {
			break
		}
	}
	if err != nil && !errors.Is(err, errEntries) && fault.KindOf(err) != fault.Unavailable {
		return nil, err
	}
	if w != nil {
		now.words = *w
	}
	for _, t := range now.tasks {
		if key := t.Coach + "|" + t.Key; now.words.why[key] == "" {
			now.words.why[key] = t.Why
		}
	}
	return d.ics(now, name)
}

// patience is how long a reader of a calendar waits to keep what changed in it.
const patience = time.Second

// errEntries gives a transaction up: another reader kept the entries in between.
var errEntries = errors.New("the entries were kept by another reader")

// shown is what a calendar shows.
type shown struct {
	account coach.Account
	today   civil.Date
	tasks   []Task
	entries []store.Entry
	news    []store.Entry // those of them that are not kept yet
	stale   bool          // there are entries to forget
	words   calWords
}

func (s *shown) changed() bool { return len(s.news) > 0 || s.stale }

// oldest is the day before which what ended is forgotten.
func (s *shown) oldest() civil.Date { return s.today - keepEntries }

// shown returns what a calendar of a kind shows now. What calendars said last is read
// first: what is kept later is kept against that, and so never against something newer
// than what is due was read from.
func (d *Desk) shown(ctx context.Context, tx *store.Tx, t cycle.Tools, id coach.AccountID, c coach.ID,
	kind string) (s shown, err error) {
	only := map[string]string{"shop": "visit", "fleet": "task"}[kind]
	old, err := tx.Entries(ctx, id, c, only)
	if err != nil {
		return s, err
	}
	if s.account, err = tx.Account(ctx, id, false); err != nil {
		return s, err
	}
	s.today = d.today(s.account)
	var now []store.Entry
	if kind != "fleet" {
		if now, err = agreed(ctx, tx, id, c, s.today); err != nil {
			return s, err
		}
	}
	if kind != "shop" {
		rows, err := tx.TasksAfter(ctx, id, c, "", "", s.today.Add(ahead).String(), mostTasks)
		if err != nil {
			return s, err
		}
		if s.tasks, err = d.standing(ctx, tx, t, id, rows); err != nil {
			return s, err
		}
		groups := grouped(s.tasks, t.Engine.Rules, s.today)
		nameGroups(groups, old)
		now = append(now, groups...)
	}
	s.bringUp(old, now, tx.Now().UnixMicro())
	return s, nil
}

// mostTasks bounds the tasks that one calendar groups.
const mostTasks = 20_000

// agreed are the agreed days from a day on, as entries.
func agreed(
	ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID, on civil.Date,
) (out []store.Entry, err error) {
	shop, err := tx.Workshop(ctx, id)
	if err != nil || shop == nil {
		return nil, err
	}
	for _, p := range shop.Agreed() {
		if p.Day >= on && (c == "" || p.Coach == c) {
			day, of := p.Day.String(), string(p.Coach)
			out = append(out, store.Entry{UID: "visit-" + p.VisitName(), Coach: of, Kind: "visit", Day: day, Until: day,
				Summary: of, Words: ClockText(p.At)})
		}
	}
	return out, nil
}

// bringUp compares what is with what calendars said last: changes raise the sequence,
// what went away is cancelled. A visit whose day is over stays as it was.
func (s *shown) bringUp(old, now []store.Entry, at int64) {
	had := map[string]store.Entry{}
	for _, e := range old {
		had[e.UID] = e
	}
	for _, e := range now {
		was, ok := had[e.UID]
		delete(had, e.UID)
		e.Sequence, e.ChangedAt = was.Sequence, was.ChangedAt
		moved := was.Day != e.Day || was.Until != e.Until
		if !ok || was.Cancelled == 1 || moved || was.Summary != e.Summary || was.Words != e.Words {
			if ok {
				e.Sequence++
			}
			e.ChangedAt = at
			s.news = append(s.news, e)
		}
		s.entries = append(s.entries, e)
	}
	for _, e := range had {
		over := e.Kind == "visit" && e.Until < s.today.String()
		if over && e.Until < s.oldest().String() || e.Cancelled == 1 && e.ChangedAt < s.oldest().Time().UnixMicro() {
			s.stale = true
			continue
		}
		if e.Cancelled == 0 && !over {
			e.Cancelled, e.ChangedAt = 1, at
			e.Sequence++
			s.news = append(s.news, e)
		}
		s.entries = append(s.entries, e)
	}
	byDay := func(a, b store.Entry) int {
		return cmp.Or(strings.Compare(a.Day, b.Day), strings.Compare(a.UID, b.UID))
	}
	slices.SortFunc(s.entries, byDay)
	slices.SortFunc(s.news, func(a, b store.Entry) int { return strings.Compare(a.UID, b.UID) })
}

// ics writes entries as a calendar (RFC 5545, with the properties of RFC 7986).
func (d *Desk) ics(s shown, name string) ([]byte, error) {
	es := s.entries
	cal := ical.NewCalendar()
	cal.Props.SetText(ical.PropVersion, "2.0")
	cal.Props.SetText(ical.PropProductID, "-//Sealmanac//Calendar//EN")
	cal.Props.SetText("NAME", name)
	cal.Props.SetText("X-WR-CALNAME", name)
	cal.Props.SetText("COLOR", "teal")
	refresh := ical.NewProp("REFRESH-INTERVAL")
	refresh.Params.Set("VALUE", "DURATION")
	refresh.Value = "PT6H"
	cal.Props.Set(refresh)
	if tz := zone(s.account.Location(), es); tz != nil {
		cal.Children = append(cal.Children, tz)
	}
	for _, e := range es {
		ev, err := d.event(&s, e)
		if err != nil {
			return nil, err
		}
		cal.Children = append(cal.Children, ev.Component)
	}
	if len(es) == 0 { // a calendar needs a component: one that says that it is empty
		ev, err := d.event(&s, store.Entry{UID: "empty", Day: "2000-01-01", Until: "2000-01-01", Kind: "empty"})
		if err != nil {
			return nil, err
		}
		cal.Children = append(cal.Children, ev.Component)
	}
	var b bytes.Buffer
	err := ical.NewEncoder(&b).Encode(cal)
	return fold(b.Bytes()), err
}

// fold breaks lines of more than 75 octets, between characters (RFC 5545, 3.1); the
// library leaves them long.
func fold(text []byte) []byte {
	var out bytes.Buffer
	for line := range bytes.SplitSeq(bytes.TrimSuffix(text, []byte("\r\n")), []byte("\r\n")) {
		for room := 75; len(line) > room; room = 74 {
			n := room
			for !utf8.RuneStart(line[n]) {
				n--
			}
			out.Write(line[:n])
			out.WriteString("\r\n ")
			line = line[n:]
		}
		out.Write(line)
		out.WriteString("\r\n")
	}
	return out.Bytes()
}

func (d *Desk) event(s *shown, e store.Entry) (*ical.Event, error) {
	a, w := s.account, &s.words
	day, err := civil.Parse(e.Day)
	if err != nil {
		return nil, err
	}
	until, err := civil.Parse(e.Until)
	if err != nil {
		return nil, err
	}
	ev := ical.NewEvent()
	ev.Props.SetText(ical.PropUID, e.UID+"@"+string(a.ID)+"."+d.Domain)
	ev.Props.SetDateTime(ical.PropDateTimeStamp, time.UnixMicro(max(e.ChangedAt, 0)).UTC().Truncate(time.Second))
	seq := ical.NewProp(ical.PropSequence)
	seq.Value = fmt.Sprint(e.Sequence)
	ev.Props.Set(seq)
	if at, err := Clock(e.Words); e.Kind == "visit" && err == nil && at > 0 {
		timed(ev, a, day, at)
	} else {
		ev.Props.SetDate(ical.PropDateTimeStart, day.Time())
		ev.Props.SetDate(ical.PropDateTimeEnd, until.Add(1).Time())
	}
	ev.Props.SetText(ical.PropTransparency, "TRANSPARENT")
	summary, words := e.Summary, e.Words
	status := ical.EventConfirmed
	switch e.Kind {
	case "visit":
		summary, words = w.visit(e), a.Name+", "+a.Postal
		ev.Props.SetText(ical.PropLocation, a.Postal)
	case "task":
		status = ical.EventTentative
		summary, words = w.task(e, d.Titles)
	case "empty":
		summary, status = w.words.T("Nothing is due."), ical.EventCancelled
	}
	if e.Cancelled == 1 {
		status = ical.EventCancelled
	}
	ev.Props.SetText(ical.PropSummary, summary)
	if words != "" {
		ev.Props.SetText(ical.PropDescription, words)
	}
	ev.SetStatus(status)
	if status != ical.EventCancelled && day > s.today { // what is overdue moves with today, and must not ring each day
		ev.Children = append(ev.Children, alarm(summary))
	}
	return ev, nil
}

// alarm shows an entry three days before.
func alarm(text string) *ical.Component {
	c := ical.NewComponent(ical.CompAlarm)
	c.Props.SetText(ical.PropAction, "DISPLAY")
	c.Props.SetText(ical.PropDescription, text)
	t := ical.NewProp(ical.PropTrigger)
	t.Value = "-P3D"
	c.Props.Set(t)
	return c
}
