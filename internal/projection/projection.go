// Package projection turns what a part has lived through, and will, into a dated
// forecast: how much of its life is used, when such parts come to need renewal
// (early, likely, late), which mechanism governs, and why.
//
// It is pure and imports coach, rulebook, exposure, climate, wear and row 0.
// Package plan reads its forecasts; cycle, cli and the benchmarks call it.
package projection

import (
	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/rulebook"
	"sealmanac/internal/wear"
	"sealmanac/internal/wording"
)

// Forecast is what is expected of one part.
type Forecast struct {
	Slide        coach.SlideID
	Run          string // address, such as "galley/outer/top"
	RunKey       string // position/side
	Part         coach.PartKind
	Material     coach.Material
	Construction coach.Construction
	Fitted       civil.Date
	LifeUsed     float64         // damage so far over damage at Likely, by the governing mechanism; >= 0, may pass 1
	Governing    coach.Mechanism // the largest share; "" when nothing ends the part
	Shares       []Share         // of the hazard at Likely; they sum to 1
	Early        civil.Date      // by then 10 % of such parts have come to need renewal
	Likely       civil.Date      // 50 %
	Late         civil.Date      // 90 %
	Capped       bool            // Late, at least, lies beyond the horizon and stands at its end
	Hold         wording.Text    // why no clock is started; nothing when it runs
	Readings     []Used          // what each reading of the part did
	Risk         float64         // chance in [0, 1] that it needs renewal by When.By if it is sound on When.On
	// chance in [0, 1] that it needs renewal by When.By, whatever it is on When.On: 1 - exp(-H(By))
	Need float64
}

// When are the days and habits that a forecast is made for.
type When struct {
	On       civil.Date
	CareDays float64    // how often the seals are assumed to be conditioned from On on
	By       civil.Date // the day that Risk looks to, such as the season's opening; 0: no risk is given
}

// Share is a mechanism's part in the need.
type Share struct {
	Mechanism coach.Mechanism
	Value     float64
}

// Engine projects coaches under one rulebook. It is safe for concurrent use.
type Engine struct {
	Rules  *rulebook.Rulebook
	Tables *exposure.Tables
	models map[modelKey]*model
}

// NewEngine prepares the rules for projection.
func NewEngine(r *rulebook.Rulebook) *Engine {
	e := &Engine{Rules: r, Tables: exposure.NewTables(exposureRules(r)), models: map[modelKey]*model{}}
	for m := range r.Materials {
		for _, c := range coach.Constructions {
			for _, p := range coach.PartKinds {
				k := modelKey{m, c, p}
				e.models[k] = newModel(r, k, nil)
			}
		}
	}
	return e
}

func exposureRules(r *rulebook.Rulebook) exposure.Rules {
	x := r.Exposure
	return exposure.Rules{
		ViewTop: x.ViewTop.Value, ViewSide: x.ViewSide.Value, ViewBottom: x.ViewBottom.Value, ViewBehind: x.ViewBehind.Value,
		Topper: x.Topper.Value, Carport: x.Carport.Value, IndoorMean: x.IndoorMean.Value, IndoorFollow: x.IndoorFollow.Value,
		CabinFollow: x.CabinFollow.Value, UVActivation: x.UVActivation.Value,
	}
}

// Life is a coach with the climate of each of its stays, in the stays' order.
type Life struct {
	Coach  *coach.Coach
	Places []*exposure.Place
}

// Horizon returns the last day that is told apart from "later": on plus the
// rulebook's horizon.
func (e *Engine) Horizon(on civil.Date) civil.Date {
	return on.AddMonths(int(e.Rules.HorizonYears.Value * 12))
}

// Run forecasts every part of a coach as of a day. Parts fitted after the day are
// left out. The result is in the coach's own order.
func (e *Engine) Run(l Life, w When) []Forecast {
	on, end := w.On, e.Horizon(w.On)
	start := on
	n := 0
	eachRun(l.Coach, func(_ *coach.Slide, r *coach.Run) {
		for i := range r.Parts {
			start = min(start, r.Parts[i].Fitted)
		}
		n += len(r.Parts)
	})
	spans := exposure.Spans(l.Coach.Stays, start, end+1)
	out := make([]Forecast, 0, n)
	if len(spans) == 0 {
		return out
	}
	lines := lineCache{}
	eachRun(l.Coach, func(s *coach.Slide, r *coach.Run) {
		line := lines.get(e, l, s, r, spans, on, w.CareDays)
		for i := range r.Parts {
			if p := &r.Parts[i]; p.Fitted <= on {
				out = append(out, e.part(line, s, r, p, w, end))
			}
		}
	})
	return out
}

func eachRun(c *coach.Coach, f func(*coach.Slide, *coach.Run)) {
	for i := range c.Slides {
		for j := range c.Slides[i].Runs {
			f(&c.Slides[i], &c.Slides[i].Runs[j])
		}
	}
}

// part forecasts one part of a run. Parts that share everything that dates them,
// such as the fore and aft bulbs of one fitting, are dated once.
func (e *Engine) part(l *line, s *coach.Slide, r *coach.Run, p *coach.Part, w When, end civil.Date) Forecast {
	k := datedKey{modelKey{p.Material, r.Construction, p.Kind}, p.Fitted, e.cold(r)}
	own := p.HotSet != nil || l.measured(s, r, p, w.On) // dated by figures of its own
	d, ok := l.dated[k]
	if !ok || own {
		a := l.aging(e.model(p, r.Construction), p.Fitted, k.cold)
		var used []Used
		if own {
			used = a.learn(s, r, p, w.On)
		}
		d = a.date(p.Fitted, w, end)
		d.Readings = used
		if !own {
			l.dated[k] = d
		}
	}
	d.Slide, d.Run, d.RunKey, d.Part, d.Material = s.ID, s.Address(*r), r.Key(), p.Kind, p.Material
	d.Construction, d.Fitted = r.Construction, p.Fitted
	measured := AsMeasured(l.life.Coach, s.ID, r, w.On)
	if why := e.Misfit(&measured); !why.IsZero() { // no clock is started on a run that does not fit
		return Forecast{Slide: d.Slide, Run: d.Run, RunKey: d.RunKey, Part: d.Part, Material: d.Material,
			Construction: d.Construction, Fitted: d.Fitted, Hold: why, Readings: d.Readings}
	}
	return d
}

// measured reports whether there are readings of a part up to a day.
func (l *line) measured(s *coach.Slide, r *coach.Run, p *coach.Part, on civil.Date) bool {
	for i := range l.life.Coach.Readings {
		if x := &l.life.Coach.Readings[i]; x.Slide == s.ID && x.Part == p.Kind && x.Day <= on && x.Run == r.Key() {
			return true
		}
	}
	return false
}

// date finds the dates, the shares and the life used.
func (a *aging) date(fitted civil.Date, w When, end civil.Date) (f Forecast) {
	hazard := func(d int) float64 { h, _ := a.hazard(fitted.Add(d)); return h }
	last := fitted.DaysUntil(end)
	days := [3]int{last, last, last}
	lo := 0
	for i, want := range wear.HazardAt {
		d := wear.FirstReach(lo, last, want, hazard)
		if d > last {
			f.Capped = true
			break
		}
		days[i], lo = d, d
	}
	f.Early, f.Likely, f.Late = fitted.Add(days[0]), fitted.Add(days[1]), fitted.Add(days[2])
	f.Governing, f.Shares = a.shares(f.Likely)
	if f.Governing != "" {
		f.LifeUsed = a.ratio(f.Governing, w.On) / a.ratio(f.Governing, f.Likely)
	}
	if w.By > w.On {
		now, _ := a.hazard(w.On)
		then, _ := a.hazard(w.By)
		f.Risk, f.Need = wear.RiskWithin(now, then), wear.RiskWithin(0, then)
	}
	return f
}
