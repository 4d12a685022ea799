// Package civil counts calendar days without a clock or a zone.
//
// It is pure, imports nothing of ours and is used by every package that dates
// something. A zone appears only where a person's day starts and ends.
package civil

import (
	"fmt"
	"time"
)

// Date is a day of the proleptic Gregorian calendar, counted from
// 0001-01-01 = 1. The zero value means "no date".
type Date int32

// epoch is 1970-01-01 as a Date: 719,162 days after 0001-01-01.
const epoch = 719163

// Of returns the date of a calendar day. Days past the end of the month are
// normalised as by time.Date.
func Of(year int, month time.Month, day int) Date {
	m := int(month) - 1
	for ; m < 0; m += 12 {
		year--
	}
	year, m = year+m/12, m%12
	// The inverse of YMD: a year that starts in March.
	y, mp := int64(year), int64(m-2)
	if m < 2 {
		y, mp = y-1, int64(m+10)
	}
	era := y / 400
	if y < 0 {
		era = (y - 399) / 400
	}
	yoe := y - era*400
	doy := (153*mp + 2) / 5
	return Date(era*146097 + yoe*365 + yoe/4 - yoe/100 + doy - 306 + int64(day))
}

// FromTime returns the day that t shows in its own location.
func FromTime(t time.Time) Date {
	y, m, d := t.Date()
	u := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	sec := u.Unix()
	days := sec / 86400
	if sec%86400 != 0 && sec < 0 {
		days--
	}
	return Date(days + epoch)
}

// Parse reads YYYY-MM-DD; any other form or an impossible day is an error.
func Parse(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1 {
		return 0, fmt.Errorf("%q is not a date: write YYYY-MM-DD", s)
	}
	return FromTime(t), nil
}

// Time returns midnight UTC of d.
func (d Date) Time() time.Time { return time.Unix((int64(d)-epoch)*86400, 0).UTC() }

// In returns the given wall time of d in a zone. A wall time that a change of
// the clocks skips is moved forward by the width of the gap, as time.Date does.
func (d Date) In(loc *time.Location, hour, minute int) time.Time {
	y, m, day := d.YMD()
	return time.Date(y, m, day, hour, minute, 0, 0, loc)
}

// YMD returns the calendar parts of d.
func (d Date) YMD() (year int, month time.Month, day int) {
	// Days to civil, after the well-known 400-year-era arithmetic with a year
	// that starts in March, so that the leap day is the last of its year.
	z := int64(d) + 305
	era := z / 146097
	if z < 0 {
		era = (z - 146096) / 146097
	}
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	day = int(doy-(153*mp+2)/5) + 1
	m := mp + 3
	y := yoe + era*400
	if m > 12 {
		m -= 12
		y++
	}
	return int(y), time.Month(m), day
}

// Year returns the calendar year of d.
func (d Date) Year() int { y, _, _ := d.YMD(); return y }

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday { return time.Weekday(((int64(d) % 7) + 7) % 7) }

// Monday returns the Monday of the week of d.
func (d Date) Monday() Date { return d - Date((int(d.Weekday())+6)%7) }

// Week returns the ISO 8601 week of d, such as "2026-W07".
func (d Date) Week() string {
	y, w := d.Time().ISOWeek()
	return fmt.Sprintf("%04d-W%02d", y, w)
}

// String returns YYYY-MM-DD, or "" for no date.
func (d Date) String() string {
	b, _ := d.AppendText(make([]byte, 0, 10)) // never fails
	return string(b)
}

// AppendText appends what String returns; a bulk of coaches writes it a million times.
func (d Date) AppendText(b []byte) ([]byte, error) {
	if d == 0 {
		return b, nil
	}
	y, m, day := d.YMD()
	if y < 0 || y > 9999 {
		return fmt.Appendf(b, "%04d-%02d-%02d", y, m, day), nil
	}
	two := func(n int) { b = append(b, byte('0'+n/10), byte('0'+n%10)) }
	two(y / 100)
	two(y % 100)
	b = append(b, '-')
	two(int(m))
	b = append(b, '-')
	two(day)
	return b, nil
}

// Long returns the day as a person reads it, such as "Tue 3 March 2026".
func (d Date) Long() string {
	if d == 0 {
		return ""
	}
	return d.Time().Format("Mon 2 January 2006")
}

// MarshalText writes YYYY-MM-DD, or nothing for no date.
func (d Date) MarshalText() ([]byte, error) { return d.AppendText(nil) }

// UnmarshalText reads what MarshalText writes.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = 0
		return nil
	}
	v, err := Parse(string(b))
	*d = v
	return err
}

// Add returns the day n days later.
func (d Date) Add(n int) Date { return d + Date(n) }

// DaysUntil returns the days from d to other; negative when other is earlier.
func (d Date) DaysUntil(other Date) int { return int(other - d) }

// AddMonths returns the same day n months later, clipped to the end of the
// month: 31 January plus one month is 28 or 29 February.
func (d Date) AddMonths(n int) Date {
	y, m, day := d.YMD()
	first := Of(y, m+time.Month(n), 1)
	y, m, _ = first.YMD()
	return first.Add(min(day, daysIn(y, m)) - 1)
}

func daysIn(y int, m time.Month) int {
	return int(Of(y, m+1, 1) - Of(y, m, 1))
}

// IsLeap reports whether year has a 29 February.
func IsLeap(year int) bool { return year%4 == 0 && (year%100 != 0 || year%400 == 0) }

// LeapsBefore returns how many leap years there are in 1 .. year-1.
func LeapsBefore(year int) int { y := year - 1; return y/4 - y/100 + y/400 }

// Slot returns the calendar year of d and its place 0..365 in a leap year's
// table of days, so that 1 March is 60 in every year and 29 February is 59.
func (d Date) Slot() (year, slot int) {
	y, m, day := d.YMD()
	return y, slotStart[m-1] + day - 1
}

var slotStart = [12]int{0, 31, 60, 91, 121, 152, 182, 213, 244, 274, 305, 335}

// MonthDay is a day of any year, such as 15 April. 29 February stands for the
// 28th in other years. The zero value means "none".
type MonthDay struct {
	Month time.Month
	Day   int
}

// ParseMonthDay reads MM-DD.
func ParseMonthDay(s string) (MonthDay, error) {
	t, err := time.Parse(time.DateOnly, "2000-"+s)
	if err != nil {
		return MonthDay{}, fmt.Errorf("%q is not a day of the year: write MM-DD, such as 04-15", s)
	}
	return MonthDay{t.Month(), t.Day()}, nil
}

// IsZero reports whether md is "none".
func (md MonthDay) IsZero() bool { return md.Month == 0 }

// In returns the day in a year, clipped to the end of the month.
func (md MonthDay) In(year int) Date {
	return Of(year, md.Month, 1).Add(min(md.Day, daysIn(year, md.Month)) - 1)
}

// String returns MM-DD, or "" for none.
func (md MonthDay) String() string {
	if md.IsZero() {
		return ""
	}
	return fmt.Sprintf("%02d-%02d", int(md.Month), md.Day)
}

// MarshalText writes MM-DD.
func (md MonthDay) MarshalText() ([]byte, error) { return []byte(md.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (md *MonthDay) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*md = MonthDay{}
		return nil
	}
	*md, err = ParseMonthDay(string(b))
	return err
}

// NextFrom returns the first day md falls on or after d.
func (md MonthDay) NextFrom(d Date) Date {
	y := d.Year()
	if day := md.In(y); day >= d {
		return day
	}
	return md.In(y + 1)
}

// LastUntil returns the last day md falls on or before d.
func (md MonthDay) LastUntil(d Date) Date {
	y := d.Year()
	if day := md.In(y); day <= d {
		return day
	}
	return md.In(y - 1)
}
