// Package experience compares what a fleet's own parts lived with what the rules
// said they would, and proposes changes of the rulebook; a person accepts them.
//
// It is pure and imports coach, rulebook, survival and row 0. Package desk gathers
// the lives and keeps what was accepted.
package experience

import (
	"cmp"
	"fmt"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/survival"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// Observed is one part's life so far.
type Observed struct {
	Material  coach.Material
	Years     float64 // in service, > 0
	Predicted float64 // years to the likely date that the rules give the same part, > 0
	Renewed   bool    // false: still in service
}

// Finding is what the lives of one material say.
type Finding struct {
	Material coach.Material
	Parts    int
	Renewed  int
	Refused  string            // why nothing is proposed; "" when something is
	Ratio    survival.Estimate // median life over the rules', with its 95 % interval
}

// Find compares, for each material, lives with predictions. Each life is measured
// in units of its own prediction, so parts of all climates count together; the
// median of their Weibull fit is the ratio. Nothing is proposed under
// survival.LeastFailures renewals, or while the interval holds 1.
func Find(all []Observed) []Finding {
	by := map[coach.Material][]survival.Life{}
	for _, o := range all {
		if o.Years > 0 && o.Predicted > 0 {
			by[o.Material] = append(by[o.Material], survival.Life{Time: o.Years / o.Predicted, Failed: o.Renewed})
		}
	}
	var out []Finding
	for m, lives := range by {
		f := Finding{Material: m, Parts: len(lives), Renewed: survival.Failures(lives)}
		w, ok := survival.FitWeibull(lives)
		switch {
		case !ok:
			f.Refused = fmt.Sprintf("%d replacements are too few, at least %d are needed", f.Renewed, survival.LeastFailures)
		case w.Median.Low <= 1 && w.Median.High >= 1:
			f.Ratio, f.Refused = w.Median, "the rules' life lies inside what the fleet shows"
		default:
			f.Ratio = w.Median
		}
		out = append(out, f)
	}
	slices.SortFunc(out, func(a, b Finding) int { return cmp.Compare(a.Material, b.Material) })
	return out
}

// Change is one figure before and after.
type Change struct {
	Path          string
	Before, After rulebook.Figure
}

// Apply returns a new version of the rulebook in which the lives of a finding's
// material are multiplied by its ratio, and the figures that changed. The rulebook
// given is not changed.
func Apply(r *rulebook.Rulebook, f Finding, version string, on civil.Date) (*rulebook.Rulebook, []Change) {
	out := *r
	out.Version = version
	out.Materials = map[coach.Material]rulebook.Material{}
	for k, v := range r.Materials {
		out.Materials[k] = v
	}
	a := applier{finding: f, on: on, base: "materials." + string(f.Material)}
	out.Materials[f.Material] = a.material(r.Materials[f.Material])
	return &out, a.changes
}

type applier struct {
	finding Finding
	on      civil.Date
	base    string
	changes []Change
}

// scale multiplies a figure and notes where the new value comes from.
func (a *applier) scale(path string, f rulebook.Figure, by float64) rulebook.Figure {
	after := f
	after.Value *= by
	after.Evidence = rulebook.Practice
	after.Source = fmt.Sprintf("own fleet on %s: %d replacements among %d parts, %.2f times the life of before (%s)", a.on,
		a.finding.Renewed, a.finding.Parts, a.finding.Ratio.Value, f)
	a.changes = append(a.changes, Change{a.base + "." + path, f, after})
	return after
}

func (a *applier) material(m rulebook.Material) rulebook.Material {
	k := a.finding.Ratio.Value
	if m.Set != nil {
		s := *m.Set
		tau := rulebook.Figure{Unit: "years", Evidence: rulebook.Default, Source: "from the hot test"}
		if s.TauYears != nil {
			tau = *s.TauYears
		} else {
			tau.Value = wear.AnchorTau(s.HotHours.Value/24/float64(unit.Year), s.HotSet.Value, s.Beta.Value, s.Ea.Value,
				unit.Celsius(s.HotTemp.Value))
		}
		tau = a.scale("set.tau_years", tau, k)
		s.TauYears = &tau
		m.Set = &s
	}
	if m.UV != nil {
		u := *m.UV
		u.Dose = a.scale("uv.dose", u.Dose, k)
		m.UV = &u
	}
	if m.Hardening != nil {
		h := *m.Hardening
		h.PerYear = a.scale("hardening.per_year", h.PerYear, 1/k)
		m.Hardening = &h
	}
	if m.Plasticiser != nil {
		p := *m.Plasticiser
		p.TauYears = a.scale("plasticiser.tau_years", p.TauYears, k)
		m.Plasticiser = &p
	}
	if m.Adhesion != nil {
		d := *m.Adhesion
		d.Years = a.scale("adhesion.years", d.Years, k)
		m.Adhesion = &d
	}
	return m
}
