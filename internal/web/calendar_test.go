package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	ics "github.com/arran4/golang-ical"

	"sealmanac/internal/civil"
	"sealmanac/internal/desk"
)

// Calendars are read by an independent parser: UIDs stay, changes raise the sequence,
// what is off is cancelled, an ended address is gone, and lines are folded at 75 octets
// (RFC 5545, 3.1).
func TestCalendars(t *testing.T) {
	x := newRig(t)
	manager := x.as("manager@one.example.org")
	make_ := func(kind, of string) string {
		t.Helper()
		_, body, _ := x.send(manager, "POST /people/calendars", nil, url.Values{"kind": {kind}, "of": {of}})
		_, rest, ok := strings.Cut(body, "/cal/")
		if !ok {
			t.Fatalf("no address in %s", body)
		}
		return rest[:strings.IndexByte(rest, '<')]
	}
	read := func(address string) (map[string]*ics.VEvent, *ics.Calendar) {
		t.Helper()
		code, body, _ := x.send(http.DefaultClient, "GET /cal/"+address, nil, nil)
		if code != http.StatusOK {
			t.Fatalf("%d %s", code, body)
		}
		for _, line := range strings.Split(body, "\r\n") {
			if len(line) > 75 {
				t.Errorf("a line of %d octets: %s", len(line), line)
			}
		}
		cal, err := ics.ParseCalendar(strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]*ics.VEvent{}
		for _, e := range cal.Events() {
			out[e.Id()] = e
		}
		return out, cal
	}
	get := func(e *ics.VEvent, p ics.ComponentProperty) string {
		if v := e.GetProperty(p); v != nil {
			return v.Value
		}
		return ""
	}
	shop, one := make_("shop", ""), make_("coach", "zf-1")
	fleet := make_("fleet", "")
	tasks, cal := read(fleet)
	if len(tasks) < 2 {
		t.Fatalf("%d entries", len(tasks))
	}
	for uid, e := range tasks {
		if !strings.HasSuffix(uid, "@one.example.org") || get(e, ics.ComponentPropertyDtStart) == "" ||
			get(e, ics.ComponentPropertyDtEnd) <= get(e, ics.ComponentPropertyDtStart) ||
			get(e, ics.ComponentPropertySequence) != "0" {
			t.Errorf("%s: %v", uid, uid)
		}
		if said := get(e, ics.ComponentPropertySummary); !strings.Contains(said, "zebrafinch coach (zf-1)") ||
			strings.Contains(said, "s/") || get(e, ics.ComponentPropertyDescription) == "" {
			t.Errorf("it is called %q", said)
		}
	}
	if text := cal.Serialize(); !strings.Contains(text, "REFRESH-INTERVAL;VALUE=DURATION:PT6H") || !strings.Contains(text,
		"COLOR:teal") || !strings.Contains(text, "NAME:") {
		t.Errorf("RFC 7986: %s", text[:300])
	}
	// Booked, moved, cancelled.
	pin := func(was, day civil.Date) {
		t.Helper()
		if err := x.desk.Pin(t.Context(), "one", "m", "zf-1", desk.DayChange{Was: was, Day: day}); err != nil {
			t.Fatal(err)
		}
	}
	first, second := civil.Of(2026, 4, 1), civil.Of(2026, 4, 15)
	pin(0, first)
	visits, _ := read(shop)
	uid := "visit-zf-1-2026-04-01@one.example.org"
	if e := visits[uid]; e == nil || get(e, ics.ComponentPropertyStatus) != "CONFIRMED" ||
		get(e, ics.ComponentPropertyDtStart) != "20260401" {
		t.Fatalf("%v", visits)
	}
	pin(first, second) // the same event on another day (RFC 5545, 3.8.7.4)
	visits, _ = read(shop)
	if e := visits[uid]; len(visits) != 1 || get(e, ics.ComponentPropertyStatus) != "CONFIRMED" ||
		get(e, ics.ComponentPropertySequence) != "1" || get(e, ics.ComponentPropertyDtStart) != "20260415" {
		t.Errorf("moved: %v", visits)
	}
	pin(second, 0)
	visits, _ = read(shop)
	if e := visits[uid]; len(visits) != 1 || get(e, ics.ComponentPropertyStatus) != "CANCELLED" ||
		get(e, ics.ComponentPropertySequence) != "2" {
		t.Errorf("cancelled: %v", visits)
	}
	pin(0, first) // the first day again: the same event comes alive
	visits, _ = read(shop)
	if e := visits[uid]; len(visits) != 1 || get(e, ics.ComponentPropertyStatus) != "CONFIRMED" ||
		get(e, ics.ComponentPropertySequence) != "3" {
		t.Errorf("alive again: %v", visits)
	}
	again, _ := read(shop)
	if get(again[uid], ics.ComponentPropertySequence) != "3" {
		t.Error("reading raises the sequence")
	}
	// A day with a time stands in local time, with the zone's own rules (RFC 5545, 3.6.5).
	timed := civil.Of(2026, 10, 28) // before the clocks change
	if err := x.desk.Pin(t.Context(), "one", "m", "zf-1", desk.DayChange{Day: timed, At: 9*60 + 30}); err != nil {
		t.Fatal(err)
	}
	visits, cal = read(shop)
	e := visits["visit-zf-1-2026-10-28@one.example.org"]
	if e == nil {
		t.Fatalf("%v", visits)
	}
	at, err := e.GetStartAt()
	if p := e.GetProperty(ics.ComponentPropertyDtStart); err != nil || p.Value != "20261028T093000" ||
		p.ICalParameters["TZID"][0] != "America/Denver" || at.UTC().Format("15:04") != "15:30" {
		t.Errorf("%v %+v", err, p)
	}
	if text := cal.Serialize(); !strings.Contains(text, "BEGIN:VTIMEZONE") || !strings.Contains(text,
		"TZOFFSETFROM:-0700") || !strings.Contains(text, "TZOFFSETTO:-0600") || !strings.Contains(text,
		"DTSTART:20260308T020000") {
		t.Errorf("the zone: %s", text[:600])
	}
	if err := x.desk.Pin(t.Context(), "one", "m", "zf-1", desk.DayChange{Was: timed}); err != nil {
		t.Fatal(err)
	}
	both, _ := read(one)
	if both[uid] == nil || len(both) < 3 {
		t.Errorf("the coach's own calendar: %d entries", len(both))
	}
	// Who has it already gets 304 until something changes.
	status := func(tag string) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, x.srv.URL+"/cal/"+shop, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("If-None-Match", tag)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close() //nolint:errcheck // nothing is read
		if c := resp.Header.Get("Cache-Control"); c != "private, no-cache" {
			t.Errorf("Cache-Control: %s", c)
		}
		return resp.StatusCode, resp.Header.Get("ETag")
	}
	code, tag := status("")
	if code != http.StatusOK || tag == "" {
		t.Errorf("%d, ETag %q", code, tag)
	}
	if code, same := status(tag); code != http.StatusNotModified || same != tag {
		t.Errorf("nothing changed: %d, %s then %s", code, tag, same)
	}
	pin(first, second)
	if code, other := status(tag); code != http.StatusOK || other == tag {
		t.Errorf("after a move: %d %s", code, other)
	}
	pin(second, first)
	// The owner's, by the link of the page.
	p, err := x.desk.CoachPage(t.Context(), "one", "zf-1")
	if err != nil {
		t.Fatal(err)
	}
	token := x.desk.Signer.OwnerToken("one", &p.Coach)
	if code, body, _ := x.send(http.DefaultClient, "GET /o/"+token+"/calendar.ics", nil, nil); code != http.StatusOK ||
		!strings.Contains(body, uid) {
		t.Errorf("the owner's: %d", code)
	}
	// An ended address, a forged one, another account's.
	if code, _, _ := x.send(http.DefaultClient, "GET /cal/forged.ics", nil, nil); code != http.StatusNotFound {
		t.Errorf("forged: %d", code)
	}
	cals, err := x.desk.Calendars(t.Context(), "one")
	if err != nil || len(cals) != 3 {
		t.Fatal(err, len(cals))
	}
	k := slices.IndexFunc(cals, func(c desk.Calendar) bool { return c.Kind == "shop" })
	x.send(x.as("manager@two.example.org"), "POST /people/calendars/end", nil, url.Values{"calendar": {cals[k].ID}})
	if code, _, _ := x.send(http.DefaultClient, "GET /cal/"+shop, nil, nil); code != http.StatusOK {
		t.Error("another account ended the calendar")
	}
	x.send(manager, "POST /people/calendars/end", nil, url.Values{"calendar": {cals[k].ID}})
	if code, _, _ := x.send(http.DefaultClient, "GET /cal/"+shop, nil, nil); code != http.StatusNotFound {
		t.Errorf("ended: %d", code)
	}
}
