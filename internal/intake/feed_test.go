package intake

import (
	"strings"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/testkit"
)

func calendar(events ...string) []byte {
	return []byte("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example.org//bookings//EN\r\n" + strings.Join(events, "") +
		"END:VCALENDAR\r\n")
}

func event(lines ...string) string {
	return "BEGIN:VEVENT\r\nDTSTAMP:20260101T000000Z\r\n" + strings.Join(lines, "\r\n") + "\r\nEND:VEVENT\r\n"
}

// The feed forms of RFC 5545, each with the days it books at the coach's place.
func TestParseFeed(t *testing.T) {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	today := civil.Of(2026, 2, 10)
	for _, c := range []struct {
		name  string
		event string
		want  string
		note  string
		bad   string
	}{
		{"all-day, the end is the day after (RFC 5545 3.6.1)",
			event("UID:1", "DTSTART;VALUE=DATE:20260301", "DTEND;VALUE=DATE:20260308"), "2026-03-01/2026-03-07", "", ""},
		{"one day without an end", event("UID:2", "DTSTART;VALUE=DATE:20260301"), "2026-03-01/2026-03-01", "", ""},
		{"UTC times", event("UID:3", "DTSTART:20260301T020000Z", "DTEND:20260303T190000Z"), "2026-02-28/2026-03-03", "", ""},
		{"another zone", event("UID:4", "DTSTART;TZID=America/New_York:20260301T010000",
			"DTEND;TZID=America/New_York:20260303T120000"), "2026-02-28/2026-03-03", "is in time zone America/New_York", ""},
		{"a duration", event("UID:5", "DTSTART;VALUE=DATE:20260301", "DURATION:P3D"), "2026-03-01/2026-03-03", "", ""},
		{"cancelled", event("UID:6", "STATUS:CANCELLED", "DTSTART;VALUE=DATE:20260301"), "", "", ""},
		{"not busy", event("UID:7", "TRANSP:TRANSPARENT", "DTSTART;VALUE=DATE:20260301"), "", "", ""},
		{"repeated", event("UID:8", "DTSTART;VALUE=DATE:20260301", "DTEND;VALUE=DATE:20260303", "RRULE:FREQ=WEEKLY;COUNT=2"),
			"2026-03-01/2026-03-02 2026-03-08/2026-03-09", "is repeated: we use 2 periods", ""},
		{"backwards", event("UID:9", "DTSTART;VALUE=DATE:20260308", "DTEND;VALUE=DATE:20260301"), "", "",
			"ends before it begins"},
		{"no start", event("UID:10"), "", "", "has no DTSTART"},
		{"unknown zone", event("UID:11", "DTSTART;TZID=Mountain Standard Time:20260301T010000",
			"DTEND;TZID=Mountain Standard Time:20260303T010000"), "2026-03-01/2026-03-03", "is in the unknown time zone", ""},
		{"one day on which the clocks change", event("UID:13", "DTSTART;VALUE=DATE:20260308"), "2026-03-08/2026-03-08", "",
			""},
		{"cancelled in small letters", event("UID:14", "STATUS:cancelled", "DTSTART;VALUE=DATE:20260301"), "", "", ""},
		{"repeated since long ago", event("UID:15", "DTSTART;VALUE=DATE:20150105", "RRULE:FREQ=WEEKLY;UNTIL=20250120"),
			"2025-01-06/2025-01-06 2025-01-13/2025-01-13 2025-01-20/2025-01-20", "is repeated: we use 3 periods", ""},
		{"one of a repetition cancelled", event("UID:16", "DTSTART;VALUE=DATE:20260301", "RRULE:FREQ=WEEKLY;COUNT=2") +
			event("UID:16", "STATUS:CANCELLED", "RECURRENCE-ID;VALUE=DATE:20260308", "DTSTART;VALUE=DATE:20260308"),
			"2026-03-01/2026-03-01", "is repeated: we use 1 periods", ""},
		{"dates one by one", event("UID:17", "DTSTART;VALUE=DATE:20260301", "RDATE;VALUE=DATE:20260310,20260320"),
			"2026-03-01/2026-03-01 2026-03-10/2026-03-10 2026-03-20/2026-03-20", "is repeated: we use 3 periods", ""},
		{"by the hour", event("UID:18", "DTSTART:20260301T000000Z", "RRULE:FREQ=HOURLY"), "", "", "more often than daily"},
		{"nonsense date", event("UID:12", "DTSTART;VALUE=DATE:20261350"), "", "", "cannot be read"},
	} {
		good := event("UID:good", "DTSTART;VALUE=DATE:20260501", "DTEND;VALUE=DATE:20260502")
		bs, bad := ParseFeed(calendar(c.event, good), denver, today)
		var got []string
		for _, b := range bs {
			got = append(got, b.From.String()+"/"+b.Until.String())
		}
		if want := strings.TrimSpace(c.want + " 2026-05-01/2026-05-01"); strings.Join(got, " ") != want {
			t.Errorf("%s: %v, want %s", c.name, got, want)
		}
		said := ""
		for _, b := range bad {
			if b.Note != (c.note != "") {
				t.Errorf("%s: %+v", c.name, b)
			}
			said += b.Message
		}
		if !strings.Contains(said, c.note+c.bad) || (c.note+c.bad == "") != (said == "") {
			t.Errorf("%s: said %q", c.name, said)
		}
	}
	// A feed that means harm: its size is bounded.
	bomb := strings.Repeat(event("UID:b", "DTSTART;VALUE=DATE:20260301", "DTEND;VALUE=DATE:20260302",
		"RRULE:FREQ=DAILY;INTERVAL=2"), 3000)
	begun := time.Now()
	if bs, bad := ParseFeed(calendar(bomb), denver, today); len(bs) > mostPeriods || len(bad) == 0 ||
		time.Since(begun) > 20*time.Second {
		t.Errorf("%d periods in %v", len(bs), time.Since(begun))
	}
	for _, text := range []string{"", "not a calendar", "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n"} {
		if _, bad := ParseFeed([]byte(text), denver, today); len(bad) != 1 || bad[0].Note {
			t.Errorf("%q: %+v", text, bad)
		}
	}
}

func FuzzParseFeed(f *testing.F) {
	f.Add(calendar(event("UID:1", "DTSTART;VALUE=DATE:20260301", "RRULE:FREQ=SECONDLY")))
	f.Add([]byte("BEGIN:VCALENDAR\r\nX;A="))
	f.Add([]byte("B;0="))
	f.Add(calendar(event("UID:1", "DTSTART:20260301T000000Z", "DTEND:20260308T000000Z", "EXDATE:20260301T000000Z",
		"RRULE:FREQ=DAILY;UNTIL=20270101T000000Z")))
	f.Add(calendar(event("UID:1", "DTSTART;VALUE=DATE:20260301", "RRULE:FREQ=DAILY;BYHOUR=1,2,3;BYMINUTE=1,2,3")))
	f.Add(calendar(event("UID:1", "DTSTART;VALUE=DATE:20260301", "RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30")))
	f.Fuzz(func(t *testing.T, data []byte) {
		testkit.Bound(t, 2*fixedCost+byteCost*uint64(len(data)), func() {
			bs, _ := ParseFeed(data, time.UTC, civil.Of(2026, 2, 10))
			for _, b := range bs {
				if b.Until < b.From {
					t.Errorf("%+v", b)
				}
			}
		})
	})
}

const shopFile = `
workshop:
  place: Nowhereville
  hours: {push_on: -3, inspection: 0}
  days: [Mon, Funday]
  work: {bulb_only: 3 to 1}
  stock: [{profile: d, coil: 900 km, remnants: [2 ft, x]}]
  appointments: [{coach: a, date: 2026-03-03}, {coach: a, date: 2026-03-05}, {coach: a, date: 2026-04-05}]
coaches:
  - coach: a
    stays: [{place: "Yuma, AZ", from: 2024-01-01}]
    rentals: [{from: 2026-03-09, until: 2026-03-01}, {from: 2026-04-01, until: 2026-04-03}]
    events: [{kind: hail, date: 2026-01-30}]
    slides:
      - slide: s
        edges: [{edge: outer/top, construction: track, fitted: 2024-01-01, warranty: {from: 2024-01-01, until: 2026-06-30, claim_by: 2026-07-15}, parts: [{part: bulb, material: tpv, profile: d-19}]}]
`

// Each mistake of a workshop and its bookings is one line; what is right is kept.
func TestWorkshopMistakesStandAside(t *testing.T) {
	c := Read(Options{Today: civil.Of(2026, 2, 10), Places: testkit.Tables(t)}, nil, File{"shop.yaml", []byte(shopFile)},
		File{"a.ics", calendar(event("UID:1", "DTSTART;VALUE=DATE:20260501", "DTEND;VALUE=DATE:20260503"))},
		File{"bookings.csv", []byte("coach,from,until\na,2026-06-01,2026-06-09\nb,2026-06-01,soon\n")})
	if err := c.Problems.Hard().Err(); err != nil {
		t.Fatalf("a plan cannot be made: %v", err)
	}
	all := strings.Join(c.Problems.Asides(), "\n")
	for _, want := range []string{"workshop.place", `"-3" is out of range`, `"Funday" is not a day`,
		`"3 to 1" is not a range`, `"900 km"`, "remnants[1]", "is in the same week as 2026-03-03 for a", "is before from",
		`"soon" is not a date`} {
		if strings.Count(all, want) != 1 {
			t.Errorf("%q is not said once in:\n%s", want, all)
		}
	}
	if c.Problems.Err() == nil {
		t.Error("an import would have stored it")
	}
	if w := c.Problems.Warnings(); len(w) == 0 || !strings.Contains(strings.Join(w, "\n"), "no such work can be planned") {
		t.Errorf("warnings %v", w)
	}
	if unknown := c.JoinBookings(); len(unknown) != 0 {
		t.Errorf("unknown: %v", unknown)
	}
	k := c.Coaches[0]
	if len(k.Bookings) != 3 || k.Bookings[1].From != civil.Of(2026, 5, 1) || k.Bookings[1].Source != "a.ics" {
		t.Errorf("bookings %+v", k.Bookings)
	}
	r := k.Slides[0].Runs[0]
	if len(k.Events) != 1 || k.Events[0].Kind != coach.Hail || r.Warranty.ClaimBy != civil.Of(2026, 7, 15) ||
		r.Parts[0].Profile != "d-19" || len(c.Workshop.Pins) != 2 {
		t.Errorf("%+v %+v", k.Events, r)
	}
}
