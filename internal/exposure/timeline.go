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

// Spans lays a coach's stays out from one day to another, as coach.Stands does.
func Spans(stays []coach.Stay, from, until civil.Date) []Span {
	stands := coach.Stands(stays, from, until)
	if len(stands) == 0 {
		return nil
	}
	out := make([]Span, len(stands))
	for i, s := range stands {
		out[i] = Span{At(s.From), At(s.Until), s.Stay}
	}
	return out
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
