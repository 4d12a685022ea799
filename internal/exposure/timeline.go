package exposure

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Span is a stretch of days under one stay.
type Span struct {
	From, Until Point // Until is the first day after
	Stay        int   // index into the coach's stays
}

// Spans lays a coach's stays out from one day to another:
//
//   - before the first stay, the first stay's place holds;
//   - between two stays, the earlier one's place holds on;
//   - after the last stay, if it is open-ended, it holds on; if it ended, the
//     twelve months before its end repeat, year after year. When less than twelve
//     months are known, the last stay holds on.
//
// The result covers [from, until) without gaps; it is empty when there are no
// stays.
func Spans(stays []coach.Stay, from, until civil.Date) []Span {
	if len(stays) == 0 || from >= until {
		return nil
	}
	var out []Span
	put := func(a, b civil.Date, stay int) {
		a, b = max(a, from), min(b, until)
		if n := len(out); n > 0 {
			a = max(a, out[n-1].Until.Day) // 28 and 29 February fall on one day of other years
		}
		if a >= b {
			return
		}
		if n := len(out); n > 0 && out[n-1].Stay == stay {
			out[n-1].Until = At(b)
			return
		}
		out = append(out, Span{At(a), At(b), stay})
	}
	known := lay(stays, min(from, stays[0].From), put)
	if known >= until {
		return out
	}
	year := known.AddMonths(-12)
	if stays[len(stays)-1].Until == 0 || year < stays[0].From {
		put(known, until, len(stays)-1)
		return out
	}
	for k := 1; known.AddMonths(12*(k-1)) < until; k++ {
		lay(stays, year, func(a, b civil.Date, stay int) {
			a, b = max(a, year), min(b, known)
			if a < b {
				put(a.AddMonths(12*k), b.AddMonths(12*k), stay)
			}
		})
	}
	return out
}

// lay calls put for each stay from its first day to the next one's and returns
// the first day that no stay is known for.
func lay(stays []coach.Stay, from civil.Date, put func(a, b civil.Date, stay int)) civil.Date {
	for i := range stays {
		a, b := stays[i].From, stays[i].Until+1
		if i == 0 {
			a = min(a, from)
		}
		if i+1 < len(stays) {
			b = stays[i+1].From
		} else if stays[i].Until == 0 {
			b = a
		}
		if a < b {
			put(a, b, i)
		}
		if i+1 == len(stays) {
			return max(a, b)
		}
	}
	return from
}

// Split cuts spans at the given days, which must be in order. Days outside the
// spans are ignored.
func Split(spans []Span, days []civil.Date) []Span {
	out := make([]Span, 0, len(spans)+len(days))
	k := 0
	for _, s := range spans {
		for ; k < len(days) && days[k] < s.Until.Day; k++ {
			if days[k] > s.From.Day {
				cut := At(days[k])
				out = append(out, Span{s.From, cut, s.Stay})
				s.From = cut
			}
		}
		out = append(out, s)
	}
	return out
}
