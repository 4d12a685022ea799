package desk

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/emersion/go-ical"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
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
func (d *Desk) AddCalendar(ctx context.Context, id coach.AccountID, by, kind string, c coach.ID, name string) (address string, err error) {
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
		if err := tx.AddCalendar(ctx, Calendar{Account: string(id), Hash: hash, ID: hash[:8], Kind: kind, Coach: string(c), Name: oneLine(name, 60), MadeBy: by}); err != nil {
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
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) { c, err = tx.CalendarByHash(ctx, calendarHash(secret)); return err })
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

// forgetAfter is how many months calendars show what was canceled.
const forgetAfter = 3

// keepPatience is how long a reader of a calendar waits to keep what has changed.
const keepPatience = time.Second

// calendar brings the entries of a kind up to date and writes them, in the shop's words
// if no others are given. It only reads, so that nobody's calendar waits for a pass; what
// has changed since the last reader is kept afterwards.
func (d *Desk) calendar(ctx context.Context, id coach.AccountID, c coach.ID, kind, name string, w *calWords) ([]byte, error) {
	var es, changed []store.Entry
	var a coach.Account
	err := d.DB.View(ctx, func(tx *store.Tx) (err error) {
		if a, err = tx.Account(ctx, id, false); err != nil {
			return err
		}
		if w == nil {
			shop, err := d.shopWords(ctx, tx, a, c)
			if err != nil {
				return err
			}
			w = &shop
		}
		now, err := d.entries(ctx, tx, a, c, kind)
		if err != nil {
			return err
		}
		only := map[string]string{"shop": "visit", "fleet": "task"}[kind]
		es, changed, err = d.bringUp(ctx, tx, id, c, only, now)
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := d.keepEntries(ctx, id, changed); err != nil {
		return nil, err
	}
	return d.ics(a, name, es, w)
}

// keepEntries keeps what has changed in a calendar. While a pass keeps everybody out it
// gives up: the next reader finds the same changes, with the same numbers.
func (d *Desk) keepEntries(ctx context.Context, id coach.AccountID, changed []store.Entry) error {
	if len(changed) == 0 {
		return nil
	}
	err := d.DB.Update(store.Impatient(ctx, keepPatience), func(tx *store.Tx) error {
		for _, e := range changed {
			if err := tx.SaveEntry(ctx, id, e); err != nil {
				return err
			}
		}
		return tx.DropEntries(ctx, id, tx.Now().AddDate(0, -forgetAfter, 0).UnixMicro())
	})
	if fault.KindOf(err) == fault.Unavailable {
		return nil
	}
	return err
}

// entries are what stands in a calendar now.
func (d *Desk) entries(ctx context.Context, tx *store.Tx, a coach.Account, c coach.ID, kind string) (out []store.Entry, err error) {
	today := d.today(a)
	shop, err := tx.Workshop(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	if kind != "fleet" {
		for _, p := range shop.Agreed() {
			if p.Day >= today && (c == "" || p.Coach == c) {
				out = append(out, store.Entry{UID: "visit-" + string(p.Coach) + "-" + p.Day.String(), Coach: string(p.Coach), Kind: "visit", Day: p.Day.String(), Until: p.Day.String(), Summary: string(p.Coach), Words: ClockText(p.At)})
			}
		}
	}
	if kind == "shop" {
		return out, nil
	}
	ts, err := tx.TasksAfter(ctx, a.ID, c, "", "", today.Add(ahead).String(), 5000)
	if err != nil {
		return nil, err
	}
	for _, t := range ts {
		until := max(t.Latest, t.Target)
		day := t.Target
		if day < today.String() { // overdue: it stands on today
			day, until = today.String(), today.String()
		}
		out = append(out, store.Entry{UID: taskUID(t.Coach, t.Key), Coach: t.Coach, Kind: "task", Day: day, Until: until, Summary: t.Kind + "|" + t.Run, Words: t.Why})
	}
	return out, nil
}

// bringUp compares what is with what calendars said last: changes raise the sequence,
// what went away is cancelled. It returns everything that a calendar shows, and what of
// it has changed.
func (d *Desk) bringUp(
	ctx context.Context, tx *store.Tx, id coach.AccountID, c coach.ID, kind string, now []store.Entry,
) (out, changed []store.Entry, err error) {
	old, err := tx.Entries(ctx, id, c, kind)
	if err != nil {
		return nil, nil, err
	}
	had := map[string]store.Entry{}
	for _, e := range old {
		had[e.UID] = e
	}
	for _, e := range now {
		was, ok := had[e.UID]
		delete(had, e.UID)
		e.Sequence, e.ChangedAt = was.Sequence, was.ChangedAt
		if !ok || was.Cancelled == 1 || was.Day != e.Day || was.Until != e.Until || was.Summary != e.Summary || e.Kind == "visit" && was.Words != e.Words {
			if ok {
				e.Sequence++
			}
			e.ChangedAt = tx.Now().UnixMicro()
			changed = append(changed, e)
		}
		out = append(out, e)
	}
	forgotten := tx.Now().AddDate(0, -forgetAfter, 0).UnixMicro()
	for _, e := range had {
		if e.Cancelled == 0 {
			e.Cancelled, e.ChangedAt = 1, tx.Now().UnixMicro()
			e.Sequence++
			changed = append(changed, e)
		}
		if e.ChangedAt >= forgotten {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b store.Entry) int {
		return cmp.Or(strings.Compare(a.Day, b.Day), strings.Compare(a.UID, b.UID))
	})
	return out, changed, nil
}

// ics writes entries as a calendar (RFC 5545, with the properties of RFC 7986).
func (d *Desk) ics(a coach.Account, name string, es []store.Entry, w *calWords) ([]byte, error) {
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
	if tz := zone(a.Location(), es); tz != nil {
		cal.Children = append(cal.Children, tz)
	}
	for _, e := range es {
		ev, err := d.event(a, e, w)
		if err != nil {
			return nil, err
		}
		cal.Children = append(cal.Children, ev.Component)
	}
	if len(es) == 0 { // a calendar needs a component: one that says that it is empty
		ev, err := d.event(a, store.Entry{UID: "empty", Day: "2000-01-01", Until: "2000-01-01", Kind: "empty"}, w)
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

func (d *Desk) event(a coach.Account, e store.Entry, w *calWords) (*ical.Event, error) {
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
	if status != ical.EventCancelled {
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
