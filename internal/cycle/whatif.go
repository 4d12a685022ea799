package cycle

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
)

// Change alters a stay; WhatIf applies it to every stay from a day on.
type Change func(*coach.Stay)

// WhatIf returns a coach whose past is as it was and whose stays from a day on,
// known, planned and repeated, are changed. The coach itself is not.
func (t Tools) WhatIf(c *coach.Coach, on civil.Date, changes ...Change) coach.Coach {
	out := *c
	out.Stays = nil
	start := on - 1
	for _, s := range c.Slides {
		for _, r := range s.Runs {
			for _, p := range r.Parts {
				start = min(start, p.Fitted)
			}
		}
	}
	// Every day is written out, assumed and repeated ones too, so that the past
	// stays what it was and the future is the same one but for the changes.
	spans := exposure.Split(exposure.Spans(c.Stays, start, t.Engine.Horizon(on)+2), []civil.Date{on})
	for i, sp := range spans {
		s := c.Stays[sp.Stay]
		s.From, s.Until = sp.From.Day, sp.Until.Day-1
		if i == len(spans)-1 {
			s.Until = 0
		}
		if s.From >= on {
			for _, f := range changes {
				f(&s)
			}
		}
		out.Stays = append(out.Stays, s)
	}
	return out
}
