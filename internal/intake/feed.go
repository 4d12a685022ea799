package intake

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
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

// What one feed may hold: other people write it.
const (
	mostEvents   = 20_000
	mostRepeated = 100 // events with a rule of repetition
	mostPeriods  = 5_000
	mostBarren   = 3       // rules that never match: the library looks for their first day up to the year 9999
	mostSteps    = 500_000 // days that all rules together may go through, from their first day on
	mostNamed    = 64      // days, weeks and months that one rule may name
)

// ParseFeed reads the booked periods of an iCalendar text (RFC 5545) as days of a
// zone, by date, with touching ones joined. Cancelled and transparent events book
// nothing. A repeated event is carried on for three years from today, with a note.
// An event that cannot be read is reported and the others stand.
func ParseFeed(data []byte, zone *time.Location, today civil.Date) (out []coach.Booking, bad []FeedProblem) {
	// The library stumbles over some lines that are cut off; a feed is other people's
	// text and must not stop the daemon.
	defer func() {
		if recover() != nil {
			bad = append(bad, FeedProblem{Message: "is not a calendar that we can read: a line is cut off",
				Allowed: "an iCalendar file (RFC 5545) of rentals"})
		}
		out = merge(out)
	}()
	f := feedReader{zone: zone, today: today, without: map[string]map[civil.Date]bool{}}
	dec := ical.NewDecoder(bytes.NewReader(data))
	calendars := 0
	var events []ical.Event
	for {
		cal, err := dec.Decode()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return out, append(bad, FeedProblem{Message: "is not a calendar that we can read: " + err.Error(),
				Allowed: "an iCalendar file (RFC 5545) of rentals"})
		}
		calendars++
		events = append(events, cal.Events()...)
	}
	if calendars == 0 {
		return out, append(bad, FeedProblem{Message: "contains no calendar",
			Allowed: "an iCalendar file (RFC 5545) of rentals"})
	}
	if len(events) > mostEvents {
		return out, append(bad, FeedProblem{Message: fmt.Sprintf("contains %d events", len(events)),
			Allowed: fmt.Sprintf("at most %d", mostEvents)})
	}
	for i := range events {
		f.override(&events[i])
	}
	for i := range events {
		bs, p := f.period(&events[i])
		out, bad = append(out, bs...), append(bad, p...)
		if len(out) > 2*mostPeriods {
			out = merge(out)
		}
		if len(out) > mostPeriods {
			return out[:mostPeriods], append(bad,
				FeedProblem{Message: "contains more periods than we read; we left out the rest",
					Allowed: fmt.Sprintf("at most %d", mostPeriods)})
		}
	}
	return out, bad
}

// merge orders periods by date and joins those that touch.
func merge(in []coach.Booking) (out []coach.Booking) {
	slices.SortFunc(in, func(a, b coach.Booking) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Until, b.Until))
	})
	for _, b := range in {
		if n := len(out); n > 0 && b.From <= out[n-1].Until {
			out[n-1].Until = max(out[n-1].Until, b.Until)
			continue
		}
		out = append(out, b)
	}
	return out
}

// feedReader reads the events of one feed.
type feedReader struct {
	zone     *time.Location
	today    civil.Date
	repeated int
	barren   int
	steps    int
	without  map[string]map[civil.Date]bool // by UID: days of a repetition that another event replaces
}

// override notes which day of a repetition an event replaces.
func (f *feedReader) override(e *ical.Event) {
	p := e.Props.Get(ical.PropRecurrenceID)
	if p == nil {
		return
	}
	zone := f.zone
	if p.ValueType() == ical.ValueDate {
		zone = time.UTC
	}
	if t, err := p.DateTime(zone); err == nil {
		uid := propText(e, ical.PropUID)
		if f.without[uid] == nil {
			f.without[uid] = map[civil.Date]bool{}
		}
		f.without[uid][civil.FromTime(t.In(zone))] = true
	}
}

// propText returns a property's text, or "".
func propText(e *ical.Event, name string) string {
	if p := e.Props.Get(name); p != nil {
		return p.Value
	}
	return ""
}

// period returns what one event books.
func (f *feedReader) period(e *ical.Event) (out []coach.Booking, bad []FeedProblem) {
	uid := "event " + clip(cmp.Or(propText(e, ical.PropUID), "without UID"))
	if strings.EqualFold(propText(e, ical.PropStatus), "CANCELLED") ||
		strings.EqualFold(propText(e, ical.PropTransparency), "TRANSPARENT") {
		return nil, nil
	}
	refuse := func(message, allowed string) ([]coach.Booking, []FeedProblem) {
		return nil, append(bad, FeedProblem{Where: uid, Message: message, Allowed: allowed})
	}
	p := e.Props.Get(ical.PropDateTimeStart)
	if p == nil {
		return refuse("has no DTSTART", "the first day of the rental")
	}
	if note := f.zoneNote(e, p); note != "" {
		bad = append(bad, FeedProblem{Where: uid, Message: note, Note: true})
	}
	zone := f.zone
	if p.ValueType() == ical.ValueDate {
		zone = time.UTC // a day is a day, and UNTIL is one too
	}
	start, err := e.DateTimeStart(zone)
	if err != nil {
		return refuse("has a DTSTART that cannot be read: "+err.Error(), "a DATE, UTC time, or time with an IANA zone")
	}
	end, err := e.DateTimeEnd(zone)
	if err != nil {
		return refuse("has an end that cannot be read: "+err.Error(), "a DATE, UTC time, or time with an IANA zone")
	}
	if end.Before(start) {
		return refuse("ends before it begins", "DTEND after DTSTART")
	}
	first := days(start, end, zone)
	if p.ValueType() == ical.ValueDate && e.Props.Get(ical.PropDateTimeEnd) == nil &&
		e.Props.Get(ical.PropDuration) == nil {
		first.Until = first.From // one day, also when the clocks change on it
	}
	repeats := e.Props.Get(ical.PropRecurrenceRule) != nil || e.Props.Get(ical.PropRecurrenceDates) != nil
	if !repeats || e.Props.Get(ical.PropRecurrenceID) != nil {
		return append(out, first), bad
	}
	return f.repeat(e, uid, first, zone, bad)
}

// zoneNote tells when an event's days are taken in another zone than its own, and
// mends a zone that nobody knows: its times are then read at the coach's place.
func (f *feedReader) zoneNote(e *ical.Event, start *ical.Prop) string {
	name := start.Params.Get(ical.ParamTimezoneID)
	if name == "" || name == f.zone.String() {
		return ""
	}
	if _, err := time.LoadLocation(name); err == nil {
		return fmt.Sprintf("is in time zone %s: we use the days at the coach's place (%s)", name, f.zone)
	}
	for _, k := range []string{ical.PropDateTimeStart, ical.PropDateTimeEnd, ical.PropRecurrenceDates,
		ical.PropExceptionDates} {
		if p := e.Props.Get(k); p != nil {
			p.Params.Del(ical.ParamTimezoneID)
		}
	}
	return fmt.Sprintf("is in the unknown time zone %q: we use the times at the coach's place (%s)", clip(name),
		f.zone)
}

// repeat carries a repeated event on.
func (f *feedReader) repeat(
	e *ical.Event, uid string, first coach.Booking, zone *time.Location, bad []FeedProblem,
) (out []coach.Booking, _ []FeedProblem) {
	refuse := func(message, allowed string) ([]coach.Booking, []FeedProblem) {
		return nil, append(bad, FeedProblem{Where: uid, Message: message, Allowed: allowed})
	}
	if f.repeated++; f.repeated > mostRepeated {
		return refuse("is repeated, and the calendar has too many repeated events",
			fmt.Sprintf("at most %d repeated events", mostRepeated))
	}
	rule, err := e.Props.RecurrenceRule()
	if err != nil {
		return refuse("has a rule of repetition that we cannot read: "+err.Error(), "an RRULE as in RFC 5545")
	}
	if rule != nil {
		if what, allowed := dear(rule, first.From); what != "" {
			return refuse(what, allowed)
		}
	}
	if f.barren >= mostBarren || f.steps >= mostSteps {
		return refuse("is repeated, and the rules before it took too long to read",
			"rules that name days, and begin in recent years")
	}
	length := first.From.DaysUntil(first.Until)
	limit := f.today.AddMonths(12 * feedYears)
	out = append(out, first)
	if rule != nil {
		set, err := e.RecurrenceSet(zone)
		if err != nil || set == nil {
			return refuse("has a rule of repetition that we cannot read", "an RRULE as in RFC 5545")
		}
		out = f.occurrences(set, zone, limit, length, f.without[propText(e, ical.PropUID)])
	}
	if p := e.Props.Get(ical.PropRecurrenceDates); p != nil && rule == nil {
		if strings.Count(p.Value, ",") >= mostPeriods {
			return refuse("has too many RDATEs", fmt.Sprintf("at most %d", mostPeriods))
		}
		for _, v := range strings.Split(p.Value, ",") {
			one := ical.Prop{Name: p.Name, Params: p.Params, Value: strings.TrimSpace(v)}
			t, err := one.DateTime(zone)
			if err != nil {
				return refuse("has an RDATE that we cannot read", "dates as in RFC 5545")
			}
			from := civil.FromTime(t.In(zone))
			out = append(out, coach.Booking{From: from, Until: from.Add(length)})
		}
	}
	return out, append(bad, FeedProblem{Where: uid, Message: fmt.Sprintf("is repeated: we use %d periods up to %s",
		len(out), limit), Note: true})
}

// dear returns why a rule would cost too much to carry on, or "": a booking is made of
// days, so a rule that names hours gives nothing but work.
func dear(r *rrule.ROption, from civil.Date) (what, allowed string) {
	switch {
	case r.Freq > rrule.DAILY, len(r.Byhour) > 1, len(r.Byminute) > 1, len(r.Bysecond) > 1:
		return "is repeated more often than daily", "FREQ of DAILY, WEEKLY, MONTHLY or YEARLY, and one time of the day"
	case len(r.Bymonth)+len(r.Bymonthday)+len(r.Byyearday)+
		len(r.Byweekno)+len(r.Byweekday)+len(r.Bysetpos)+len(r.Byeaster) > mostNamed:
		return "has a rule of repetition that names too many days", fmt.Sprintf("at most %d", mostNamed)
	case from < civil.Of(1900, 1, 1):
		return "is repeated since a day long ago", "a DTSTART of 1900 or later"
	}
	return "", ""
}

// occurrences carries a rule on to a day. It stops when the feed has had its share of
// work.
func (f *feedReader) occurrences(
	set *rrule.Set, zone *time.Location, limit civil.Date, length int, without map[civil.Date]bool,
) []coach.Booking {
	out, found := []coach.Booking{}, false
	for next := set.Iterator(); len(out) <= mostPeriods && f.steps < mostSteps; f.steps++ {
		t, ok := next()
		if !ok && !found {
			f.barren++
		}
		from := civil.FromTime(t.In(zone)) // in days: a change of the clocks makes it no longer
		if !ok || from > limit {
			break
		}
		if found = true; from >= f.today.Add(-400-length) && !without[from] {
			out = append(out, coach.Booking{From: from, Until: from.Add(length)})
		}
	}
	return out
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
