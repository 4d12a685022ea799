package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/emersion/go-ical"
	"github.com/teambition/rrule-go"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// FeedProblem is one thing in a feed that cannot be used as it stands.
type FeedProblem struct {
	Where   string // the event's UID, or "" for the whole feed
	Message string
	Allowed string
	Note    bool // it was used all the same, as the message says
}

// feedYears is how far a repeated booking is carried on.
const feedYears = 3

// mostRepeats bounds what one event can make.
const mostRepeats = 2000

// ParseFeed reads the booked periods of an iCalendar text (RFC 5545) as days of a
// zone. Cancelled and transparent events book nothing. A repeated event is carried
// on for three years from today, with a note. An event that cannot be read is
// reported and the others stand.
func ParseFeed(data []byte, zone *time.Location, today civil.Date) (out []coach.Booking, bad []FeedProblem) {
	// The library stumbles over some lines that are cut off; a feed is other people's
	// text and must not stop the daemon.
	defer func() {
		if recover() != nil {
			bad = append(bad, FeedProblem{Message: "is not a calendar that can be read: a line is cut off", Allowed: "an iCalendar file (RFC 5545) of bookings"})
		}
	}()
	dec := ical.NewDecoder(bytes.NewReader(data))
	calendars := 0
	for {
		cal, err := dec.Decode()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return out, append(bad, FeedProblem{Message: "is not a calendar that can be read: " + err.Error(), Allowed: "an iCalendar file (RFC 5545) of bookings"})
		}
		calendars++
		for _, e := range cal.Events() {
			bs, p := period(e, zone, today)
			out, bad = append(out, bs...), append(bad, p...)
		}
	}
	if calendars == 0 {
		bad = append(bad, FeedProblem{Message: "holds no calendar", Allowed: "an iCalendar file (RFC 5545) of bookings"})
	}
	return out, bad
}

// period returns what one event books.
func period(e ical.Event, zone *time.Location, today civil.Date) (out []coach.Booking, bad []FeedProblem) {
	uid := "an event without UID"
	if p := e.Props.Get(ical.PropUID); p != nil {
		uid = "event " + clip(p.Value)
	}
	if s := e.Props.Get(ical.PropStatus); s != nil && s.Value == "CANCELLED" {
		return nil, nil
	}
	if s := e.Props.Get(ical.PropTransparency); s != nil && s.Value == "TRANSPARENT" {
		return nil, nil
	}
	refuse := func(message, allowed string) ([]coach.Booking, []FeedProblem) {
		return nil, append(bad, FeedProblem{Where: uid, Message: message, Allowed: allowed})
	}
	if p := e.Props.Get(ical.PropDateTimeStart); p == nil {
		return refuse("has no DTSTART", "the first day of the booking")
	}
	start, err := e.DateTimeStart(zone)
	if err != nil {
		return refuse("has a DTSTART that cannot be read: "+err.Error(), "a DATE, UTC time, or time with an IANA zone")
	}
	end, err := e.DateTimeEnd(zone)
	if err != nil {
		return refuse("has an end that cannot be read: "+err.Error(), "a DATE, UTC time, or time with an IANA zone")
	}
	if p := e.Props.Get(ical.PropDateTimeStart); p.Params.Get(ical.ParamTimezoneID) != "" && p.Params.Get(ical.ParamTimezoneID) != zone.String() {
		bad = append(bad, FeedProblem{Where: uid, Message: fmt.Sprintf("is in zone %s: its days are taken at the coach's place (%s)", p.Params.Get(ical.ParamTimezoneID), zone), Note: true})
	}
	if end.Before(start) {
		return refuse("ends before it begins", "DTEND after DTSTART")
	}
	first := days(start, end, zone)
	rule, err := e.Props.RecurrenceRule()
	if err != nil {
		return refuse("has a rule of repetition that cannot be read: "+err.Error(), "an RRULE as in RFC 5545")
	}
	if rule == nil {
		return append(out, first), bad
	}
	if rule.Freq > rrule.DAILY {
		return refuse("is repeated more often than daily", "FREQ of DAILY, WEEKLY, MONTHLY or YEARLY")
	}
	set, err := e.RecurrenceSet(zone)
	if err != nil || set == nil {
		return refuse("has a rule of repetition that cannot be read", "an RRULE as in RFC 5545")
	}
	limit := today.AddMonths(12 * feedYears).Time()
	n := 0
	for next := set.Iterator(); n < mostRepeats; n++ {
		t, ok := next()
		if !ok || t.After(limit) {
			break
		}
		if t.Add(end.Sub(start)).After(today.Time().AddDate(-1, 0, 0)) {
			from := civil.FromTime(t.In(zone)) // in days: a change of the clocks makes it no longer
			out = append(out, coach.Booking{From: from, Until: from.Add(first.From.DaysUntil(first.Until))})
		}
	}
	return out, append(bad, FeedProblem{Where: uid, Message: fmt.Sprintf("is repeated: %d periods up to %s are taken", len(out), today.AddMonths(12*feedYears)), Note: true})
}

// days returns the days that a period touches in a zone. An end at midnight, as
// every DATE end is, does not touch its day.
func days(start, end time.Time, zone *time.Location) coach.Booking {
	b := coach.Booking{From: civil.FromTime(start.In(zone)), Until: civil.FromTime(end.In(zone))}
	if e := end.In(zone); e.Hour() == 0 && e.Minute() == 0 && b.Until > b.From {
		b.Until--
	}
	return b
}
