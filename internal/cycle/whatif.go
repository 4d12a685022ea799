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
	if len(c.Stays) > 0 && c.Stays[0].From >= on { // the first place is assumed back to the fitting: that past stays
		first := on - 1
		for _, s := range c.Slides {
			for _, r := range s.Runs {
				for _, p := range r.Parts {
					first = min(first, p.Fitted)
				}
			}
		}
		past := c.Stays[0]
		past.From, past.Until = first, on-1
		out.Stays = append(out.Stays, past)
	}
	for _, s := range c.Stays {
		if s.From >= on {
			break
		}
		if s.Until == 0 || s.Until >= on {
			s.Until = on - 1
		}
		out.Stays = append(out.Stays, s)
	}
	spans := exposure.Spans(c.Stays, on, t.Engine.Horizon(on)+2)
	for i, sp := range spans {
		s := c.Stays[sp.Stay]
		s.From, s.Until = sp.From.Day, sp.Until.Day-1
		if i == len(spans)-1 {
			s.Until = 0
		}
		for _, f := range changes {
			f(&s)
		}
		out.Stays = append(out.Stays, s)
	}
	return out
}
