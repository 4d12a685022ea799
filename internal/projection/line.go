package projection

import (
	"math"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/exposure"
	"sealmanac/internal/unit"
	"sealmanac/internal/wear"
)

// line is the timeline of one run: the coach's spans, cut where the seals were
// conditioned, with everything that does not depend on the material.
type line struct {
	engine *Engine
	life   Life
	slide  *coach.Slide
	run    *coach.Run
	spans  []span
	parts  map[exposure.Surface]*exposed
	dated  map[datedKey]Forecast
}

// datedKey is everything that dates a part on a line.
type datedKey struct {
	modelKey
	fitted civil.Date
	cold   bool // bonded below the least temperature
}

// lineKey is everything that tells the timelines of two runs of a coach apart.
type lineKey struct {
	position coach.Position
	edge     coach.Side // fore stands for aft too
	wall     coach.Side4
	topper   bool
	travel   unit.Length
	lubed    string
}

// lineCache shares the timelines of runs that live alike.
type lineCache map[lineKey]*line

func (c lineCache) get(
	e *Engine, l Life, s *coach.Slide, r *coach.Run, spans []exposure.Span, on civil.Date, careDays float64,
) *line {
	lubed := lubrications(l.Coach.Services, s.ID, r.Key(), on)
	k := lineKey{r.Position, r.Side, s.Wall, s.Topper, s.Travel, string(encode(lubed))}
	if k.edge == coach.Aft {
		k.edge = coach.Fore
	}
	ln := c[k]
	if ln == nil {
		ln = e.newLine(l, s, r, spans, lubed, on, careDays)
		c[k] = ln
	}
	return ln
}

// encode makes days comparable as one value.
func encode(days []civil.Date) []byte {
	b := make([]byte, 0, 4*len(days))
	for _, d := range days {
		b = append(b, byte(d>>24), byte(d>>16), byte(d>>8), byte(d))
	}
	return b
}

// span is a stretch of days under one stay and one lubricant film. The sums hold
// at its first day; rates are per day.
type span struct {
	exposure.Span
	cycles      float64 // a day
	squeezed    float64 // share of the set rate that counts
	rust        float64 // years of the open, inland, a day
	outdoors    float64 // years outdoors a day
	dryWear     float64 // mm a day without lubricant
	saved       float64 // of dryWear, the share a full film saves
	film, decay float64 // film at the first day, and its loss a day; decay 0: film is a steady mean
	sumWear     float64
	sumRust     float64
	sumOutdoors float64
}

func (e *Engine) newLine(
	l Life, s *coach.Slide, r *coach.Run, spans []exposure.Span, lubed []civil.Date, on civil.Date, careDays float64,
) *line {
	pieces := exposure.Split(spans, append(slices.Clone(lubed), on))
	ln := &line{engine: e, life: l, slide: s, run: r, spans: make([]span, len(pieces)),
		parts: map[exposure.Surface]*exposed{}, dated: map[datedKey]Forecast{}}
	travel := s.Travel.Metres()
	if travel == 0 {
		travel = e.Rules.Abrasion.Travel.Value / 1000
	}
	var wearSum, rust, outdoors, film float64
	next := 0
	for i, p := range pieces {
		for next < len(lubed) && lubed[next] <= p.From.Day {
			film, next = 1, next+1
		}
		sp := e.newSpan(&l.Coach.Stays[p.Stay], r, p, travel)
		sp.film = film
		if p.From.Day >= on {
			sp.film, sp.decay = wear.MeanFilm(sp.cycles, careDays, e.Rules.Lubricant.Cycles.Value,
				e.Rules.Lubricant.Days.Value), 0
		}
		sp.sumWear, sp.sumRust, sp.sumOutdoors = wearSum, rust, outdoors
		n := float64(p.From.Day.DaysUntil(p.Until.Day))
		wearSum, rust, outdoors = wearSum+sp.worn(n), rust+n*sp.rust, outdoors+n*sp.outdoors
		film *= math.Exp(-sp.decay * n)
		ln.spans[i] = sp
	}
	return ln
}

func (e *Engine) newSpan(st *coach.Stay, r *coach.Run, p exposure.Span, travel float64) span {
	ab, lub, rust := e.Rules.Abrasion, e.Rules.Lubricant, e.Rules.Corrosion
	sp := span{Span: p, cycles: float64(st.Cycles), squeezed: e.Rules.Exposure.RelaxedRate.Value, rust: 1 / daysPerYear}
	if (r.Position == coach.Outer) == (st.Rooms == coach.RoomsIn) {
		sp.squeezed = 1
	}
	switch st.Shelter {
	case coach.Indoor:
		sp.rust *= rust.Indoor.Value
	case coach.Carport:
		sp.rust *= rust.Carport.Value
	}
	if st.Coastal {
		sp.rust *= rust.Coastal.Value
	}
	if st.Shelter != coach.Indoor && r.Position == coach.Outer {
		sp.outdoors = 1 / daysPerYear
	}
	sp.dryWear = sp.cycles * wear.WearPerCycle(ab.DryRate.Value, ab.Pressure.Value, 2*travel)
	sp.saved = 1 - ab.OiledRate.Value/ab.DryRate.Value
	sp.decay = sp.cycles/lub.Cycles.Value + 1/lub.Days.Value
	return sp
}

// worn returns the mm of lip lost in the first n days of the span: the dry wear
// less what the film saves, k = k_dry - (k_dry - k_lubricated) film. The blend
// is linear so that its integral is exact; an exponential blend is as defensible.
func (s *span) worn(n float64) float64 {
	if s.decay == 0 {
		return s.dryWear * n * (1 - s.saved*s.film)
	}
	return s.dryWear * (n + s.saved*s.film*math.Expm1(-s.decay*n)/s.decay)
}

// lubrications returns the days up to on when a run was conditioned, in order.
func lubrications(services []coach.Service, slide coach.SlideID, run string, on civil.Date) []civil.Date {
	var days []civil.Date
	for i := range services {
		if s := &services[i]; s.Kind == coach.Lubricate && s.Day <= on && s.Covers(slide, run) {
			days = append(days, s.Day)
		}
	}
	slices.Sort(days)
	return slices.Compact(days)
}

// exposed are the sums of a surface's rates along a line.
type exposed struct {
	tables []*exposure.Table // by stay
	base   []exposure.Rates  // by span: sum at its start less the table's own
}

func (l *line) exposed(s exposure.Surface) *exposed {
	if x := l.parts[s]; x != nil {
		return x
	}
	x := &exposed{tables: make([]*exposure.Table, len(l.life.Places)), base: make([]exposure.Rates, len(l.spans))}
	var sum exposure.Rates
	for i := range l.spans {
		sp := &l.spans[i]
		if x.tables[sp.Stay] == nil {
			x.tables[sp.Stay] = l.engine.Tables.For(l.life.Places[sp.Stay], &l.life.Coach.Stays[sp.Stay], l.slide, l.run, s)
		}
		tab := x.tables[sp.Stay]
		start := weighted(tab.Until(sp.From), sp.squeezed)
		x.base[i] = sum.Add(start, -1)
		sum = x.base[i].Add(weighted(tab.Until(sp.Until), sp.squeezed), 1)
	}
	l.parts[s] = x
	return x
}

func weighted(r exposure.Rates, squeezed float64) exposure.Rates {
	r.Set *= squeezed
	return r
}

// doses are all sums of a part from its fitting to a day, indexed by dose.
type doses [doseOutdoors + 1]float64

// until returns the sums from the start of the line to day d.
func (l *line) until(x *exposed, d civil.Date) (out doses) {
	i, found := slices.BinarySearchFunc(l.spans, d, func(s span, d civil.Date) int { return int(s.From.Day - d) })
	if !found {
		i--
	}
	i = max(0, i)
	sp := &l.spans[i]
	r := x.base[i].Add(weighted(x.tables[sp.Stay].Until(exposure.At(d)), sp.squeezed), 1)
	n := float64(sp.From.Day.DaysUntil(d))
	out[doseSet], out[doseHard], out[dosePlasticiser], out[doseAdhere], out[doseUV] = r.Set, r.Hard, r.Plasticiser,
		r.Adhere, r.UV
	out[doseWear], out[doseRust], out[doseOutdoors] = sp.sumWear+sp.worn(n), sp.sumRust+n*sp.rust,
		sp.sumOutdoors+n*sp.outdoors
	return out
}
