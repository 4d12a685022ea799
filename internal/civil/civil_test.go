package civil

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestDateAgreesWithTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Date(rapid.IntRange(1, 3_650_000).Draw(t, "day"))
		y, m, day := d.YMD()
		if want := d.Time(); y != want.Year() || m != want.Month() || day != want.Day() {
			t.Fatalf("%d: %d-%d-%d, package time says %v", d, y, m, day, want)
		}
		if d.Weekday() != d.Time().Weekday() {
			t.Fatalf("%v: weekday %v, want %v", d, d.Weekday(), d.Time().Weekday())
		}
		if Of(y, m, day) != d {
			t.Fatalf("Of(%d,%d,%d) = %d, want %d", y, m, day, Of(y, m, day), d)
		}
		if p, err := Parse(d.String()); y < 10000 && (err != nil || p != d) {
			t.Fatalf("Parse(%q) = %d, %v", d.String(), p, err)
		}
	})
}

func TestSlotIsLeapYearDay(t *testing.T) {
	for _, y := range []int{1900, 2000, 2023, 2024, 2100} {
		for d := Of(y, 1, 1); d < Of(y+1, 1, 1); d++ {
			_, m, day := d.YMD()
			_, slot := d.Slot()
			if want := Of(2000, m, day).Time().YearDay() - 1; slot != want {
				t.Fatalf("%v: slot %d, want %d", d, slot, want)
			}
		}
	}
}

func TestLeapsBeforeCounts(t *testing.T) {
	n := 0
	for y := 1; y < 2500; y++ {
		if got := LeapsBefore(y); got != n {
			t.Fatalf("LeapsBefore(%d) = %d, want %d", y, got, n)
		}
		if IsLeap(y) {
			n++
		}
	}
}

func TestAddMonthsClips(t *testing.T) {
	for _, c := range []struct {
		from string
		n    int
		want string
	}{
		{"2025-01-31", 1, "2025-02-28"}, {"2024-01-31", 1, "2024-02-29"},
		{"2024-02-29", 12, "2025-02-28"}, {"2025-03-31", -1, "2025-02-28"}, {"2025-11-30", 3, "2026-02-28"},
	} {
		from, _ := Parse(c.from)
		if got := from.AddMonths(c.n).String(); got != c.want {
			t.Errorf("%s %+d months = %s, want %s", c.from, c.n, got, c.want)
		}
	}
}

func TestSeason(t *testing.T) {
	north := Season{MonthDay{4, 15}, MonthDay{10, 10}}
	south := Season{MonthDay{10, 20}, MonthDay{4, 5}} // spans the new year
	for _, c := range []struct {
		name string
		s    Season
		day  string
		in   bool
		open string
	}{
		{"in summer", north, "2026-07-01", true, "2026-04-15"},
		{"first day", north, "2026-04-15", true, "2026-04-15"},
		{"last day", north, "2026-10-10", true, "2026-04-15"},
		{"after closing", north, "2026-10-11", false, "2027-04-15"},
		{"winter", north, "2026-02-01", false, "2026-04-15"},
		{"south, in January", south, "2027-01-15", true, "2026-10-20"},
		{"south, in June", south, "2027-06-15", false, "2027-10-20"},
	} {
		d, _ := Parse(c.day)
		if got := c.s.Holds(d); got != c.in {
			t.Errorf("%s: Holds = %v", c.name, got)
		}
		if got := c.s.OpeningBefore(d).String(); got != c.open {
			t.Errorf("%s: opening %s, want %s", c.name, got, c.open)
		}
	}
	if (Season{}).OpeningBefore(Of(2026, 1, 1)) != 0 {
		t.Error("no season has no opening")
	}
}

func TestInSkipsClockGap(t *testing.T) {
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skip(err)
	}
	// 02:30 does not exist on 8 March 2026 in this zone.
	if got := Of(2026, 3, 8).In(loc, 2, 30).Format("15:04"); got != "03:30" && got != "01:30" {
		t.Errorf("skipped wall time became %s", got)
	}
}

// Of agrees with the standard library over leap years, centuries and days out of
// range.
func TestOfAgreesWithTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y, m, d := rapid.IntRange(-500, 4000).Draw(t, "y"), rapid.IntRange(-30, 40).Draw(t, "m"),
			rapid.IntRange(-400, 400).Draw(t, "d")
		if got, want := Of(y, time.Month(m), d), FromTime(time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)); got != want {
			t.Fatalf("%d-%d-%d: %d, want %d", y, m, d, got, want)
		}
	})
}
