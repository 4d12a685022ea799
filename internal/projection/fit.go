package projection

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
	"sealmanac/internal/wording"
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

// Misfit returns why a run's bulb does not fit its measured gaps, or nothing. It is
// nothing too when nothing was measured: then nobody can tell.
func (e *Engine) Misfit(r *coach.Run) wording.Text {
	narrow, wide, ok := r.GapSpread()
	if !ok || r.FreeHeight == 0 {
		return wording.Text{}
	}
	f := e.Rules.Fit
	most, least := wear.Squeeze(r.FreeHeight, narrow), wear.Squeeze(r.FreeHeight, wide)
	var why wording.Text
	switch {
	case most > f.Most.Value:
		why = wording.Say("the bulb is crushed: %.0[1]f %% squeeze in the narrowest gap of %[2]s, "+
			"at most %.0[3]f %% is sound", 100*most, narrow.Format(""), 100*f.Most.Value)
	case most <= 0:
		why = wording.Say("the bulb does not touch: it stands %[1]s in gaps of %[2]s and more", r.FreeHeight.Format(""),
			narrow.Format(""))
	case least < f.Least.Value:
		why = wording.Say("the bulb hardly touches: %.0[1]f %% squeeze in the widest gap of %[2]s, at least %.0[3]f %% is "+
			"needed", max(0, 100*least), wide.Format(""), 100*f.Least.Value)
	default:
		return wording.Text{}
	}
	low, high, fits := e.FitRange(narrow, wide)
	if !fits {
		return wording.Say("%s; no one bulb fits gaps this uneven, adjust the room first", why)
	}
	return wording.Say("%[1]s; a free height of %[2]s to %[3]s would fit", why, low.Format(""), high.Format(""))
}
