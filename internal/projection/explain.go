package projection

import (
	"fmt"
	"math"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// Reason is one step of the chain behind a forecast: a sentence with its number,
// and where the number comes from.
type Reason struct {
	Topic  string // "place", "exposure", "damage", "need"
	Text   string
	Rule   string // path in the rulebook, or "" for an input or a table
	Source string // evidence and source of the figure
}

// Explain returns the chain of reasons for one part of a run. ok is false when
// the coach has no such part.
func (e *Engine) Explain(l Life, address string, kind coach.PartKind, w When) (f Forecast, why []Reason, ok bool) {
	on, careDays, end := w.On, w.CareDays, e.Horizon(w.On)
	eachRun(l.Coach, func(s *coach.Slide, r *coach.Run) {
		if s.Address(*r) != address {
			return
		}
		for i := range r.Parts {
			p := &r.Parts[i]
			if p.Kind != kind || p.Fitted > on {
				continue
			}
			start := on
			for j := range r.Parts {
				start = min(start, r.Parts[j].Fitted)
			}
			spans := exposure.Spans(l.Coach.Stays, start, end+1)
			if len(spans) == 0 {
				return
			}
			line := lineCache{}.get(e, l, s, r, spans, on, careDays)
			f, ok = e.part(line, s, r, p, w, end), true
			x := explainer{e: e, line: line, part: p, on: on, care: careDays, by: w.By, f: &f}
			why = x.chain()
		}
	})
	return f, why, ok
}

// explainer collects the steps for one part.
type explainer struct {
	e    *Engine
	line *line
	part *coach.Part
	on   civil.Date
	care float64 // days
	by   civil.Date
	f    *Forecast
	out  []Reason
}

func (x *explainer) say(topic, rule, source, format string, a ...any) {
	x.out = append(x.out, Reason{topic, fmt.Sprintf(format, a...), rule, source})
}

func (x *explainer) chain() []Reason {
	x.places()
	m := x.e.model(x.part, x.line.run.Construction)
	x.exposures(m)
	if x.f.Hold.IsZero() { // no clock runs on a run that does not fit
		a := x.line.aging(m, x.part.Fitted, x.e.cold(x.line.run))
		a.learn(x.line.slide, x.line.run, x.part, x.on)
		x.damages(a)
	}
	x.readings()
	x.fit()
	x.need()
	return x.out
}

// places says where the coach stood since the fitting and what climate that is.
func (x *explainer) places() {
	seen := map[string]bool{}
	for _, s := range x.line.spans {
		st, p := &x.line.life.Coach.Stays[s.Stay], x.line.life.Places[s.Stay]
		if seen[p.ID] || s.From.Day > x.on {
			continue
		}
		seen[p.ID] = true
		n := p.Normals
		sun, hot, cold := n.Annual()
		x.say("place", "", n.Method,
			"%s (%.2f, %.2f, %.0f m): temperature from %s, %.0f km away and %+.0f m in height; hottest monthly mean maximum "+
				"%.1f °C, coldest mean minimum %.1f °C, %.0f MJ/m² of sun a year on the level",
			st.Site.Name, n.Lat, n.Lon, n.Elev, n.Station, n.Km, n.Dz, hot, cold, sun)
	}
}

// exposures says, for each stay since the fitting, what reaches this seal.
func (x *explainer) exposures(m *model) {
	ex := x.line.exposed(m.surface)
	year := exposure.At(civil.Of(2001, 1, 1))
	next := exposure.At(civil.Of(2002, 1, 1))
	done := map[int]bool{}
	for i := range x.line.spans {
		s := &x.line.spans[i]
		if done[s.Stay] || s.From.Day > x.on {
			continue
		}
		done[s.Stay] = true
		st := &x.line.life.Coach.Stays[s.Stay]
		r := ex.tables[s.Stay].Until(next).Add(ex.tables[s.Stay].Until(year), -1)
		text := fmt.Sprintf("%s from %s: %s, rooms %s, %.1f cycles a month; ", st.Site.Name, st.From, st.Shelter, st.Rooms,
			float64(st.Cycles)*30.4)
		text += fmt.Sprintf("%.0f MJ/m² of UV a year reach the %s run", r.UV, x.line.run.Key())
		if ea := m.surface.SetEa; ea > 0 && r.Set > 0 {
			text += fmt.Sprintf("; it ages by set like %.2f years at 25 °C each year (effective temperature %.1f °C), of "+
				"which %.0f %% counts", r.Set/365, wear.EffectiveTemperature(ea, r.Set/365), 100*s.squeezed)
		}
		x.say("exposure", "exposure", "daily sums of typical days, Arrhenius rates", "%s", text)
	}
	if st := x.line.life.Coach.Stays; st[len(st)-1].Until != 0 && st[len(st)-1].Until < x.on {
		x.say("exposure", "", "as README.md says of stays",
			"no stay is known after %s: the twelve months before it are assumed to repeat, or the last stay to go on when "+
				"less is known", st[len(st)-1].Until)
	}
	if n := len(lubrications(x.line.life.Coach.Services, x.line.slide.ID, x.line.run.Key(),
		x.on)); x.part.Kind == coach.Wiper {
		x.say("exposure", "lubricant", figure(x.e.Rules.Lubricant.Days),
			"conditioned %d time(s) on record; from %s on it is assumed to be done every %.0f days, so a record of it moves "+
				"the date a little", n, x.on, x.care)
	}
}

// damages says each mechanism's damage today against its limit.
func (x *explainer) damages(a *aging) {
	now := a.line.until(a.x, x.on)
	for i := range a.model.terms {
		t := &a.model.terms[i]
		d := a.damage(t, &now)
		dose := math.Max(0, now[t.dose]-a.from[t.dose])
		share := 0.0
		for _, s := range x.f.Shares {
			if s.Mechanism == t.mechanism {
				share = s.Value
			}
		}
		what := doseWords[t.dose]
		scale := what.scale
		text := fmt.Sprintf("%s: %.4g of %.4g %s used (%.0f %%)", t.mechanism, dose/scale, 1/t.per/scale, what.unit, 100*d)
		if t.step {
			text = fmt.Sprintf("%s: %.3g expected events in %.2f years outdoors", t.mechanism, d, dose)
		} else {
			text += fmt.Sprintf(", lives scatter by a factor of %.2f", math.Exp(t.sigma))
		}
		if rate := a.terms[i].rate; rate != 1 {
			text += fmt.Sprintf(", %.0f %% at its own rate of %.2f", 100*d*rate, rate)
		}
		text += fmt.Sprintf("; %.0f %% of the need on %s", 100*share, x.f.Likely)
		x.say("damage", t.rule, x.source(t), "%s", text)
		if t.dose == doseSet {
			x.setDetail(dose)
		}
		if t.dose == doseAdhere && a.cold > 1 {
			x.say("damage", "install.cold_penalty", figure(x.e.Rules.Install.ColdPenalty),
				"bonded at %.0f °C, colder than %s: its life counts %.2f times as fast", float64(*x.line.run.InstallTemp),
				x.e.Rules.Install.LeastTemp, a.cold)
		}
	}
	if len(a.model.terms) == 0 {
		x.say("damage", "", "", "no mechanism of the rulebook ends a %s of %s on this run", x.part.Kind, x.part.Material)
	}
}

var doseWords = map[dose]struct {
	unit  string
	scale float64
}{
	doseSet: {"years at 25 °C under squeeze", daysPerYear}, doseHard: {"years at 25 °C", daysPerYear},
	dosePlasticiser: {"years at 25 °C", daysPerYear},
	doseAdhere:      {"years at 25 °C", daysPerYear}, doseUV: {"MJ/m² of UV", 1}, doseWear: {"mm of lip", 1},
	doseRust: {"years in the open", 1}, doseOutdoors: {"years outdoors", 1},
}

// readings says what each reading of the part did.
func (x *explainer) readings() {
	for _, u := range x.f.Readings {
		r := u.Reading
		did := u.Flag
		if u.Mechanism != "" {
			did = fmt.Sprintf("%s now runs at %.2f times the rule's rate, within a factor of %.2f", u.Mechanism, u.Rate,
				math.Exp(u.Spread))
		}
		x.say("reading", "readings", "closed-form update of a log-normal rate", "%s on %s by the %s: %.4g; %s", r.Kind, r.Day,
			r.By, r.Value, did)
	}
	if x.part.Kind == coach.Adhesive {
		h := 24 * float64(x.f.Fitted.DaysUntil(x.on))
		x.say("reading", "install.block_hours", figure(x.e.Rules.Install.BlockHours),
			"the bond has built to %.0f %% of its strength %.0f h after the fitting; the room should not move for the first "+
				"%.0f h", 100*wear.Bond(h), h, x.e.Rules.Install.BlockHours.Value)
	}
}

// setDetail says what the set means for the bulb's height.
func (x *explainer) setDetail(days float64) {
	s := x.e.Rules.Materials[x.part.Material].Set
	tau := tauYears(s, x.part.HotSet)
	c := wear.Set(days/daysPerYear, tau, s.Beta.Value, 0)
	text := fmt.Sprintf("compression set now about %.0f %% of the squeeze (limit %.0f %%)", 100*c, 100*s.Limit.Value)
	if _, wide, ok := x.line.run.GapSpread(); ok && x.line.run.FreeHeight > wide {
		text += fmt.Sprintf(": of the %s that the bulb stands over its widest gap, %s press back",
			(x.line.run.FreeHeight - wide).Format(""), wear.Interference(c, x.line.run.FreeHeight, wide).Format(""))
	}
	src := figure(s.Beta)
	if x.part.HotSet != nil {
		src = fmt.Sprintf("the part's data sheet: %.0f %% after %g h at %.0f °C", 100*float64(x.part.HotSet.Set),
			x.part.HotSet.Hours, float64(x.part.HotSet.Temp))
	}
	x.say("damage", "materials."+string(x.part.Material)+".set", src, "%s; time constant %.3g years at 25 °C", text, tau)
}

// fit says the squeeze when it was measured.
func (x *explainer) fit() {
	now := AsMeasured(x.line.life.Coach, x.line.slide.ID, x.line.run, x.on)
	r := &now
	narrow, wide, ok := r.GapSpread()
	if !ok || r.FreeHeight == 0 || x.part.Kind != coach.Bulb {
		return
	}
	verdict := "it fits"
	if why := x.e.Misfit(r); !why.IsZero() {
		verdict = why.String()
	}
	x.say("fit", "fit", figure(x.e.Rules.Fit.Most),
		"free height %s in closed gaps of %s to %s: squeeze %.0f to %.0f %%; %s",
		r.FreeHeight.Format(""), narrow.Format(""), wide.Format(""), 100*wear.Squeeze(r.FreeHeight, wide),
		100*wear.Squeeze(r.FreeHeight, narrow), verdict)
}

func (x *explainer) need() {
	f := x.f
	switch {
	case !f.Hold.IsZero():
		x.say("need", "fit", "", "the run is on hold, no date is given: %s", f.Hold)
	case f.Governing == "":
		x.say("need", "", "", "nothing dates this part")
	default:
		if x.by > x.on {
			x.say("need", "", "the difference of the hazards",
				"if it is sound today, the chance that it needs replacement by %s, when the season opens, is %.0f %%", x.by,
				100*f.Risk)
		}
		capped := ""
		if f.Capped {
			capped = fmt.Sprintf(" (dates past %s are not told apart)", x.e.Horizon(x.on))
		}
		x.say("need", "", "competing risks: the hazards add up",
			"10 %% of such parts need replacement by %s, half by %s, 90 %% by %s%s; %s governs; %.0f %% of its life is used, "+
				"%.1f "+
				"years after the fitting",
			f.Early, f.Likely, f.Late, capped, f.Governing, 100*f.LifeUsed, float64(f.Fitted.DaysUntil(x.on))/float64(unit.Year))
	}
}

// source returns evidence and source of the figure that limits a term.
func (x *explainer) source(t *term) string {
	m := x.e.Rules.Materials[x.part.Material]
	switch t.mechanism {
	case coach.CompressionSet:
		return figure(m.Set.Limit)
	case coach.Weathering:
		return figure(m.UV.Dose)
	case coach.Hardening:
		return figure(m.Hardening.PerYear)
	case coach.Plasticiser:
		return figure(m.Plasticiser.TauYears)
	case coach.Abrasion:
		return figure(x.e.Rules.Abrasion.DryRate)
	case coach.Corrosion:
		return figure(x.e.Rules.Corrosion.Years)
	case coach.OzoneCracking:
		return figure(x.e.Rules.Ozone.PerYear)
	case coach.AdhesionLoss:
		name := strings.TrimSuffix(strings.TrimPrefix(t.rule, "materials."), ".adhesion")
		return figure(x.e.Rules.Materials[coach.Material(name)].Adhesion.Years)
	}
	return ""
}

func figure(f rulebook.Figure) string {
	return fmt.Sprintf("%s (%s: %s)", f, f.Evidence, f.Source)
}
