package projection

import (
	"fmt"
	"math"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// Used says what a reading did to a forecast.
type Used struct {
	Reading   coach.Reading
	Mechanism coach.Mechanism // "" when it was not used
	Rate      float64         // the part's rate after it, relative to the rules
	Spread    float64         // ln sd of that rate after it
	Flag      string          // why it was not used, or what is odd about it
}

// learn updates a part's rates from its readings up to a day, in order. A shop's
// reading outranks an owner's of the same kind within 90 days.
func (a *aging) learn(slide *coach.Slide, run *coach.Run, p *coach.Part, on civil.Date) (out []Used) {
	all := a.line.life.Coach.Readings
	last := map[coach.Mechanism]civil.Date{}
	for i := range all {
		r := &all[i]
		if r.Slide != slide.ID || r.Run != run.Key() || r.Part != p.Kind || r.Day > on || r.Day < p.Fitted {
			continue
		}
		u := Used{Reading: *r}
		if r.By == "owner" && outranked(all, r) {
			u.Flag = "a shop's reading of the same kind outranks it"
			out = append(out, u)
			continue
		}
		t, y, sd, flag := a.evidence(run, p, r)
		u.Flag = flag
		if t != nil && flag == "" {
			if r.By == "owner" {
				sd *= a.line.engine.Rules.Readings.OwnerFactor.Value
			}
			a.update(t, r.Day, last, y, sd)
			u.Mechanism, u.Rate, u.Spread = t.mechanism, math.Exp(t.belief.Mu), t.belief.S
		}
		out = append(out, u)
	}
	return out
}

// update moves the belief about a mechanism's rate. Between readings it widens by
// the drift, never past the prior; it never narrows below the least band.
func (a *aging) update(t *belief, day civil.Date, last map[coach.Mechanism]civil.Date, y, sd float64) {
	rules := a.line.engine.Rules.Readings
	if before, ok := last[t.mechanism]; ok {
		q := rules.Drift.Value
		t.belief.S = math.Min(t.sigma, math.Sqrt(t.belief.S*t.belief.S+q*q*float64(before.DaysUntil(day))/daysPerYear))
	}
	last[t.mechanism] = day
	t.belief = t.belief.Update(min(3, max(-3, y)), max(0.05, sd))
	t.belief.S = max(t.belief.S, min(rules.LeastBand.Value, t.sigma))
	t.rate = math.Exp(t.belief.Mu)
}

// belief is a term with what readings have taught about its rate.
type belief struct {
	*term
	belief wear.Factor
	rate   float64 // exp(Mu)
}

func outranked(all []coach.Reading, r *coach.Reading) bool {
	return slices.ContainsFunc(all, func(o coach.Reading) bool {
		return o.By == "shop" && o.Kind == r.Kind && o.Slide == r.Slide && o.Run == r.Run && o.Part == r.Part &&
			max(o.Day-r.Day, r.Day-o.Day) <= 90
	})
}

// evidence turns a reading into ln(observed/predicted rate) of one mechanism and
// its standard error. A flag says why it cannot be used.
func (a *aging) evidence(run *coach.Run, p *coach.Part, r *coach.Reading) (t *belief, y, sd float64, flag string) {
	rules := a.line.engine.Rules
	switch r.Kind {
	case coach.BulbHeight:
		return a.fromHeight(run, p, r)
	case coach.ShoreA:
		h := rules.Materials[p.Material].Hardening
		if t = a.find(coach.Hardening); t == nil || h == nil || p.Material == coach.EPDMSponge {
			return nil, 0, 0, "Shore A is kept as a note: it says nothing on this part"
		}
		e0 := wear.Modulus(h.Shore.Value)
		rise := wear.Modulus(r.Value) - e0
		limit := wear.Modulus(h.Shore.Value+h.Points.Value) - e0
		step := wear.Modulus(r.Value+rules.Readings.ShoreError.Value) - wear.Modulus(r.Value)
		return a.share(t, r.Day, 0, rise/limit, step/limit,
			"softer than new: swelling, another spot or temperature, or a new part")
	case coach.CrackGrade:
		if t = a.find(coach.Weathering); t == nil {
			return nil, 0, 0, "cracks are not what ends this part"
		}
		obs := 0.2 * r.Value
		if r.Value >= 4 {
			obs = 1
		}
		return a.grade(t, r.Day, obs)
	case coach.LiftedEdge:
		if t = a.find(coach.AdhesionLoss); t == nil {
			return nil, 0, 0, "this part is not bonded"
		}
		return a.grade(t, r.Day, min(1, r.Value/5))
	case coach.LipThickness:
		return a.fromLip(run, p, r)
	}
	if r.Kind == coach.ClosedGap {
		return nil, 0, 0, "taken for the fit of the run"
	}
	return nil, 0, 0, "noted; it moves no date by itself"
}

func (a *aging) find(m coach.Mechanism) *belief {
	for i := range a.terms {
		if a.terms[i].mechanism == m {
			return &a.terms[i]
		}
	}
	return nil
}

// grade reads a coarse sign. No sign at all says something only when the rules
// expect one by then.
func (a *aging) grade(t *belief, day civil.Date, obs float64) (*belief, float64, float64, string) {
	const visible = 0.1 // damage that a careful look begins to see
	now := a.line.until(a.x, day)
	if obs < visible {
		if a.damage(t.term, &now) <= visible {
			return t, 0, 0, "no sign yet, as the rules expect"
		}
		obs = visible
	}
	return a.share(t, day, 0, obs, obs*a.line.engine.Rules.Readings.GradeError.Value, "")
}

// share compares an observed damage over limit, with its error, to the one the
// rules predict for the day less what they predict up to the first reading.
func (a *aging) share(
	t *belief, day civil.Date, before, obs, err float64, backwards string,
) (*belief, float64, float64, string) {
	now := a.line.until(a.x, day)
	pred := a.damage(t.term, &now) - before
	switch {
	case obs < -err && backwards != "":
		return t, 0, 0, backwards
	case pred < 0.02:
		return t, 0, 0, "too soon after the fitting to say anything about the rate"
	}
	obs = max(obs, 0.02, err/2)
	return t, math.Log(obs / pred), math.Min(2, err/obs), ""
}

// fromHeight reads the compression set off a relaxed bulb's height.
func (a *aging) fromHeight(run *coach.Run, p *coach.Part, r *coach.Reading) (*belief, float64, float64, string) {
	t := a.find(coach.CompressionSet)
	_, wide, ok := run.GapSpread()
	set := a.line.engine.Rules.Materials[p.Material].Set
	switch {
	case t == nil || set == nil:
		return nil, 0, 0, "set is not what ends this part"
	case !ok || run.FreeHeight <= wide:
		return t, 0, 0, "needs the run's free_height and gaps to become a set"
	}
	squeeze := float64(run.FreeHeight - wide)
	sd := a.line.engine.Rules.Readings.HeightError.Value / squeeze
	obs := wear.SetFromHeight(run.FreeHeight, unit.Length(r.Value), wide)
	if obs < -2*sd {
		return t, 0, 0, "taller than new: swelling, another spot, or a new part"
	}
	if obs > 1+2*sd {
		return t, 0, 0, "flatter than its gap: check the reading"
	}
	now := a.line.until(a.x, r.Day)
	rate := a.line.engine.Rules.Constructions[run.Construction].Rate.Value
	dose := rate * max(0, now[doseSet]-a.from[doseSet]) / daysPerYear
	pred := wear.Set(dose, tauYears(set, p.HotSet), set.Beta.Value, 0)
	if pred < 0.02 {
		return t, 0, 0, "too soon after the fitting to say anything about the rate"
	}
	y, err := wear.SetReading(min(0.97, max(0.02, obs)), min(0.97, pred), set.Beta.Value, sd)
	return t, y, math.Min(3, err), ""
}

// fromLip reads the wear off a lip's thickness against its first reading.
func (a *aging) fromLip(run *coach.Run, p *coach.Part, r *coach.Reading) (*belief, float64, float64, string) {
	t := a.find(coach.Abrasion)
	if t == nil {
		return nil, 0, 0, "wear is not what ends this part"
	}
	for _, first := range a.line.life.Coach.Readings {
		if first.Kind != r.Kind || first.Run != r.Run || first.Slide != r.Slide || first.Part != r.Part ||
			first.Day < p.Fitted || first.By != "shop" && r.By == "shop" {
			continue
		}
		if first.Day >= r.Day {
			break
		}
		limit := a.line.engine.Rules.Abrasion.LipLimit.Value
		e := a.line.engine.Rules.Readings.LipError.Value * math.Sqrt2 / limit
		then := a.line.until(a.x, first.Day)
		return a.share(t, r.Day, a.damage(t.term, &then), (first.Value-r.Value)/limit, e,
			fmt.Sprintf("thicker than on %s", first.Day))
	}
	return t, 0, 0, "the first thickness of this lip: later ones are measured against it"
}
