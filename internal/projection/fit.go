package projection

import (
	"fmt"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// FitRange returns the free heights of a bulb that would fit all measured closed
// gaps of a run within the rulebook's squeeze limits: g/(1-least) at the widest
// gap to g/(1-most) at the narrowest. ok is false when none fits all.
func (e *Engine) FitRange(narrow, wide unit.Length) (low, high unit.Length, ok bool) {
	f := e.Rules.Fit
	low, high = wide/unit.Length(1-f.Least.Value), narrow/unit.Length(1-f.Most.Value)
	return low, high, low <= high
}

// AsMeasured returns a run with its closed gaps as last read up to a day: rooms
// settle and are adjusted, so gaps read since the fitting take the place of those
// measured then.
func AsMeasured(c *coach.Coach, slide coach.SlideID, r *coach.Run, on civil.Date) coach.Run {
	out := *r
	var last civil.Date
	for _, x := range c.Readings {
		if x.Kind != coach.ClosedGap || x.Slide != slide || x.Run != r.Key() || x.Day < r.Fitted || x.Day > on {
			continue
		}
		if x.Day > last {
			last, out.Gaps = x.Day, nil
		}
		out.Gaps = append(out.Gaps, unit.Length(x.Value))
	}
	return out
}

// Misfit returns why a run's bulb does not fit its measured gaps, or "". It is
// "" too when nothing was measured: then nobody can tell.
func (e *Engine) Misfit(r *coach.Run) string {
	narrow, wide, ok := r.GapSpread()
	if !ok || r.FreeHeight == 0 {
		return ""
	}
	f := e.Rules.Fit
	most, least := wear.Squeeze(r.FreeHeight, narrow), wear.Squeeze(r.FreeHeight, wide)
	var why string
	switch {
	case most > f.Most.Value:
		why = fmt.Sprintf("the bulb is crushed: %.0f %% squeeze in the narrowest gap of %s, at most %.0f %% is sound", 100*most, narrow.Format(""), 100*f.Most.Value)
	case most <= 0:
		why = fmt.Sprintf("the bulb does not touch: it stands %s in gaps of %s and more", r.FreeHeight.Format(""), narrow.Format(""))
	case least < f.Least.Value:
		why = fmt.Sprintf("the bulb hardly touches: %.0f %% squeeze in the widest gap of %s, at least %.0f %% is needed", max(0, 100*least), wide.Format(""), 100*f.Least.Value)
	default:
		return ""
	}
	low, high, fits := e.FitRange(narrow, wide)
	if !fits {
		return why + "; no one bulb fits gaps this uneven, adjust the room first"
	}
	return why + fmt.Sprintf("; a free height of %s to %s would fit", low.Format(""), high.Format(""))
}
