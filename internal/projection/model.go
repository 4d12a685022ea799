package projection

import (
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// dose is which running sum a mechanism reads.
type dose uint8

const (
	doseSet         dose = iota // days at 25 °C under squeeze
	doseHard                    // days at 25 °C
	dosePlasticiser             // days at 25 °C
	doseAdhere                  // days at 25 °C
	doseUV                      // MJ/m² at 25 °C
	doseWear                    // mm of lip
	doseRust                    // years in the open, inland
	doseOutdoors                // years outdoors
)

// term is one mechanism of a part: damage over limit is the dose times per, and
// lives scatter around 1 with log standard deviation sigma. A step term has no
// scatter: its hazard is the dose times per.
type term struct {
	mechanism coach.Mechanism
	dose      dose
	per       float64
	sigma     float64
	step      bool
	rule      string // path in the rulebook
}

type modelKey struct {
	material     coach.Material
	construction coach.Construction
	part         coach.PartKind
}

// model is how a part ages: its surface and its terms.
type model struct {
	surface exposure.Surface
	terms   []term
}

const daysPerYear = float64(unit.Year)

// model returns the ageing of a part; a data-sheet figure makes one of its own.
func (e *Engine) model(p *coach.Part, c coach.Construction) *model {
	k := modelKey{p.Material, c, p.Kind}
	if p.HotSet != nil {
		return newModel(e.Rules, k, p.HotSet)
	}
	return e.models[k]
}

func newModel(r *rulebook.Rulebook, k modelKey, sheet *coach.HotSet) *model {
	mat := r.Materials[k.material]
	m := &model{surface: exposure.Surface{Absorptance: mat.Absorptance.Value}}
	rate := r.Constructions[k.construction].Rate.Value
	base := "materials." + string(k.material)
	add := func(t term) {
		t.per *= rate
		m.terms = append(m.terms, t)
	}
	if k.part == coach.Bulb && mat.Set != nil {
		m.surface.SetEa = mat.Set.Ea.Value
		limit := wear.SetTime(mat.Set.Limit.Value, tauYears(mat.Set, sheet), mat.Set.Beta.Value)
		add(term{coach.CompressionSet, doseSet, 1 / (limit * daysPerYear), mat.Set.Scatter.Value, false, base + ".set"})
	}
	switch k.part {
	case coach.Carrier:
		if k.material == coach.SteelCarrier {
			m.terms = append(m.terms, term{coach.Corrosion, doseRust, 1 / r.Corrosion.Years.Value, r.Corrosion.Scatter.Value,
				false, "corrosion"})
		}
		return m
	case coach.Adhesive:
		addAdhesion(r, m, k)
		return m
	}
	if h := mat.Hardening; h != nil && k.part != coach.Bulb {
		m.surface.HardEa = h.Ea.Value
		rise := wear.Modulus(h.Shore.Value+h.Points.Value)/wear.Modulus(h.Shore.Value) - 1
		add(term{coach.Hardening, doseHard, h.PerYear.Value / (rise * daysPerYear), h.Scatter.Value, false,
			base + ".hardening"})
	}
	if p := mat.Plasticiser; p != nil {
		m.surface.PlasticiserEa = p.Ea.Value
		limit := wear.LossTime(p.Limit.Value, p.TauYears.Value)
		add(term{coach.Plasticiser, dosePlasticiser, 1 / (limit * daysPerYear), p.Scatter.Value, false,
			base + ".plasticiser"})
	}
	if u := mat.UV; u != nil {
		add(term{coach.Weathering, doseUV, 1 / u.Dose.Value, u.Scatter.Value, false, base + ".uv"})
	}
	if mat.Unsaturated {
		add(term{coach.OzoneCracking, doseOutdoors, r.Ozone.PerYear.Value, 0, true, "ozone"})
	}
	if k.part == coach.Wiper {
		m.terms = append(m.terms, term{coach.Abrasion, doseWear, 1 / r.Abrasion.LipLimit.Value, r.Abrasion.Scatter.Value,
			false, "abrasion"})
	}
	return m
}

// addAdhesion uses the material's own bond rule, or the acrylic tape's: what is
// bonded is often named by its strip.
func addAdhesion(r *rulebook.Rulebook, m *model, k modelKey) {
	name := k.material
	a := r.Materials[name].Adhesion
	if a == nil {
		name, a = coach.AcrylicTape, r.Materials[coach.AcrylicTape].Adhesion
	}
	if a == nil {
		return
	}
	m.surface.AdhereEa = a.Ea.Value
	m.terms = append(m.terms, term{coach.AdhesionLoss, doseAdhere, 1 / (a.Years.Value * daysPerYear), a.Scatter.Value,
		false, "materials." + string(name) + ".adhesion"})
}

// tauYears returns the set's time constant at 25 °C: from the part's data sheet,
// else the rulebook's own figure, else the rulebook's hot test.
func tauYears(s *rulebook.Set, sheet *coach.HotSet) float64 {
	switch {
	case sheet != nil:
		return wear.AnchorTau(sheet.Hours/24/daysPerYear, float64(sheet.Set), s.Beta.Value, s.Ea.Value, sheet.Temp)
	case s.TauYears != nil:
		return s.TauYears.Value
	default:
		return wear.AnchorTau(s.HotHours.Value/24/daysPerYear, s.HotSet.Value, s.Beta.Value, s.Ea.Value,
			unit.Celsius(s.HotTemp.Value))
	}
}
