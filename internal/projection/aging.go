package projection

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/wear"
)

// aging is one part on its line: damage and hazard as functions of the day.
type aging struct {
	line  *line
	model *model
	x     *exposed
	terms []belief
	from  doses   // at the fitting
	cold  float64 // factor on the ageing of a bond
}

// aging starts a part's clocks at its fitting.
func (l *line) aging(m *model, fitted civil.Date, cold bool) *aging {
	a := &aging{line: l, model: m, x: l.exposed(m.surface), cold: 1, terms: make([]belief, len(m.terms))}
	for i := range m.terms {
		a.terms[i] = belief{term: &m.terms[i], belief: wear.Factor{S: m.terms[i].sigma}, rate: 1}
	}
	a.from = l.until(a.x, fitted)
	if cold {
		a.cold = 1 / l.engine.Rules.Install.ColdPenalty.Value
	}
	return a
}

// cold reports whether a run was bonded below the least temperature; not
// recorded counts as warm enough.
func (e *Engine) cold(r *coach.Run) bool {
	return r.InstallTemp != nil && float64(*r.InstallTemp) < e.Rules.Install.LeastTemp.Value
}

// damage returns a term's dose since the fitting over its limit.
func (a *aging) damage(t *term, now *doses) float64 {
	v := max(0, now[t.dose]-a.from[t.dose]) * t.per
	if t.dose == doseAdhere {
		v *= a.cold
	}
	return v
}

// hazard returns the cumulative hazard of need on day d, the sum over the
// mechanisms (competing risks), and each mechanism's own.
func (a *aging) hazard(d civil.Date) (total float64, each [8]float64) {
	now := a.line.until(a.x, d)
	for i := range a.terms {
		t := &a.terms[i]
		h := a.damage(t.term, &now)
		if !t.step {
			h = wear.Hazard(h*t.rate, t.belief.S)
		}
		each[i] = h
		total += h
	}
	return total, each
}

// ratio returns the damage over limit of one mechanism on day d, at the part's
// own rate.
func (a *aging) ratio(m coach.Mechanism, d civil.Date) float64 {
	now := a.line.until(a.x, d)
	if t := a.find(m); t != nil {
		return a.damage(t.term, &now) * t.rate
	}
	return 0
}

// shares returns each mechanism's share of the hazard on day d and the one with
// the largest. Nothing acting gives no shares.
func (a *aging) shares(d civil.Date) (governing coach.Mechanism, out []Share) {
	total, each := a.hazard(d)
	if total <= 0 {
		return "", nil
	}
	best := -1.0
	out = make([]Share, 0, len(a.model.terms))
	for i := range a.model.terms {
		m := a.model.terms[i].mechanism
		out = append(out, Share{m, each[i] / total})
		if each[i] > best {
			best, governing = each[i], m
		}
	}
	return governing, out
}
