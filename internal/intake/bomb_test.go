package intake

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"sealmanac/internal/civil"
	"sealmanac/internal/testkit"
)

// nested are texts of about n bytes that are nested as deep as they are long.
func nested(n int) map[string]string {
	many := func(s string) string { return strings.Repeat(s, n/len(s)) }
	return map[string]string{
		"lists": many("["), "closed lists": strings.Repeat("[", n/2) + strings.Repeat("]", n/2), "blocks": many("{a: "),
		"JSON blocks":   many(`{"a":`),
		"compact lists": many("- "), "compact keys": many("? "), "tagged lists": many("- !!seq "), "anchors": many("&a "),
		"anchored lists": many("- &a "),
		"mixed":          many("- [{a: "), "quoted keys": many(`{"[": `), "lists on lines": many("[\n"),
		"quoted blocks": "a: \"" + many("[") + "\"\nb: " + many("["), "comments": many("[ # ]\n"),
	}
}

// A file that is nested deep is refused before its tree is built: a manager's upload
// must not take the memory of the whole program. The largest file costs little more
// than itself.
func TestNestedFilesAreCheap(t *testing.T) {
	o := opt(t)
	for name, text := range nested(1 << 20) {
		for _, file := range []string{"x.yaml", "x.json"} {
			t.Run(name+" in "+file, func(t *testing.T) {
				testkit.Bound(t, 20<<20, func() {
					if Read(o, nil, File{file, []byte(text)}).Problems.Err() == nil {
						t.Error("it was read")
					}
				})
			})
		}
		testkit.Bound(t, 20<<20, func() {
			if _, bad := ParseMapping(File{"map.yaml", []byte(text)}); len(bad) == 0 {
				t.Errorf("%s: the mapping was read", name)
			}
		})
	}
}

// What is written in one long piece, or on many lines that say nothing, costs what it
// is long.
func TestLongFilesAreLinear(t *testing.T) {
	o := opt(t)
	for name, one := range map[string]string{"empty lines of a text": "\n", "tabs in quotes": "\t", "backslashes": `\\`,
		"lines": "x\n "} {
		for start, end := range map[string]string{"shop: {name: \"": "\"}", "shop:\n  name: |\n    ": "\n",
			"shop:\n  name: >\n    ": "\n"} {
			t.Run(name, func(t *testing.T) {
				text := start + strings.Repeat(one, 200_000/len(one)) + end
				testkit.Bound(t, 30<<20, func() { Read(o, nil, File{"x.yaml", []byte(text)}) })
			})
		}
	}
}

// A feed is other people's text, read at every pass: a rule that names many times of
// the day, never matches or begins in old times must not cost the daemon its memory.
func TestFeedRulesAreBounded(t *testing.T) {
	list := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, ",%d", i)
		}
		return b.String()[1:]
	}
	for name, c := range map[string]struct {
		start, rule string
		events      int
	}{
		"every second": {"20260101", "FREQ=DAILY;BYHOUR=" + list(24) + ";BYMINUTE=" + list(60) + ";BYSECOND=" +
			list(60), 1},
		"every minute":         {"20260101", "FREQ=DAILY;BYHOUR=" + list(24) + ";BYMINUTE=" + list(60), 100},
		"never":                {"20260101", "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", 100},
		"never, by the year":   {"20260101", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30,31", 100},
		"never, by the month":  {"20260101", "FREQ=MONTHLY;BYMONTH=4;BYMONTHDAY=31", 100},
		"never, by the week":   {"20260101", "FREQ=WEEKLY;BYMONTH=4;BYYEARDAY=1", 100},
		"backwards":            {"20260101", "FREQ=DAILY;INTERVAL=-1;BYMONTH=2;BYMONTHDAY=30", 100},
		"backwards by years":   {"20260101", "FREQ=YEARLY;INTERVAL=-1", 100},
		"on the spot":          {"20260101", "FREQ=WEEKLY;INTERVAL=0;BYMONTH=2;BYMONTHDAY=30", 100},
		"huge steps":           {"20260101", "FREQ=MONTHLY;INTERVAL=9223372036854775807", 100},
		"since long ago":       {"00010101", "FREQ=DAILY", 100},
		"since a century":      {"19010101", "FREQ=DAILY", 100},
		"every day of a year":  {"20260101", "FREQ=YEARLY;BYYEARDAY=" + list(367)[2:], 100},
		"all positions":        {"20260101", "FREQ=YEARLY;BYDAY=MO,TU,WE,TH,FR,SA,SU;BYSETPOS=" + list(367)[2:], 100},
		"every day":            {"20260101", "FREQ=DAILY", 100},
		"every day, to no end": {"20260101", "FREQ=DAILY;UNTIL=99991231", 100},
	} {
		t.Run(name, func(t *testing.T) {
			var b strings.Builder
			b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n")
			for i := range c.events {
				fmt.Fprintf(&b, "BEGIN:VEVENT\r\nUID:%d\r\nDTSTAMP:20260101T000000Z\r\n"+
					"DTSTART;VALUE=DATE:%s\r\nRRULE:%s\r\nEND:VEVENT\r\n", i, c.start, c.rule)
			}
			b.WriteString("END:VCALENDAR\r\n")
			testkit.Bound(t, 64<<20, func() {
				out, bad := ParseFeed([]byte(b.String()), time.UTC, civil.Of(2026, 2, 10))
				if len(out) > mostPeriods || len(bad) == 0 {
					t.Errorf("%d periods, %d remarks", len(out), len(bad))
				}
			})
		})
	}
}
