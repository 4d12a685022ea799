package coach

import (
	"time"

	"sealmanac/internal/civil"
)

// Stand is a stretch of days on which a coach stands under one stay.
type Stand struct {
	From, Until civil.Date // Until is the first day after
	Stay        int        // index into the coach's stays
}

// Stands lays a coach's stays out from one day to another:
//
//   - before the first stay, the first stay's place holds;
//   - between two stays, the earlier one's place holds on;
//   - after the last stay, if it is open-ended, it holds on; if it ended, the
//     twelve months before its end repeat, year after year. When less than twelve
//     months are known, the last stay holds on.
//
// The result covers [from, until) without gaps; it is empty when there are no
// stays.
func Stands(stays []Stay, from, until civil.Date) []Stand {
	if len(stays) == 0 || from >= until {
		return nil
	}
	var out []Stand
	put := func(a, b civil.Date, stay int) {
		a, b = max(a, from), min(b, until)
		if n := len(out); n > 0 {
			a = max(a, out[n-1].Until) // 28 and 29 February fall on one day of other years
		}
		if a >= b {
			return
		}
		if n := len(out); n > 0 && out[n-1].Stay == stay {
			out[n-1].Until = b
			return
		}
		out = append(out, Stand{a, b, stay})
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
func lay(stays []Stay, from civil.Date, put func(a, b civil.Date, stay int)) civil.Date {
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

// StayOn returns the stay that holds on a day, as Stands lays them out: stays that
// ended come again every year. It returns false before the first stay.
func (c Coach) StayOn(d civil.Date) (Stay, bool) {
	if len(c.Stays) == 0 || d < c.Stays[0].From {
		return Stay{}, false
	}
	return c.Stays[Stands(c.Stays, d, d+1)[0].Stay], true
}

// Location returns the zone of the place where the coach stands on a day; UTC
// before the first.
func (c Coach) Location(on civil.Date) *time.Location {
	if st, ok := c.StayOn(on); ok {
		return location(st.Site.Zone)
	}
	return time.UTC
}
