package season

import (
	"cmp"
	"math"
	"slices"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/cutting"
	"sealmanac/internal/exposure"
	"sealmanac/internal/plan"
	"sealmanac/internal/projection"
	"sealmanac/internal/unit"
)

// Need is what is wanted of one profile in one month.
type Need struct {
	Profile  string
	Month    civil.Date // its first day
	Expected unit.Length
	High     unit.Length // not exceeded in 90 of 100 such months
	Pieces   float64     // expected number
	Shelf    unit.Length // at hand when the month begins, as far as the months before it are expected to use it
	Order    unit.Length // High less Shelf; 0: the shelf covers it
	OrderBy  civil.Date  // 0 when nothing is to be ordered
	TooLate  bool        // OrderBy should have been before the day of the plan
}

// Cut is one bar of stock with the pieces to be cut from it.
type Cut struct {
	Profile string
	Length  unit.Length
	New     bool // a coil that is opened, not a remnant
	Pieces  []Piece
	Remnant unit.Length // kept; 0 when what is left is too short to keep
	Waste   unit.Length
	Optimal bool // no way of cutting this profile opens fewer coils
}

// Piece is one length of seal for one run.
type Piece struct {
	Coach  coach.ID
	Run    string
	Day    civil.Date
	Length unit.Length
}

// piece is what a task puts on a run.
type piece struct {
	profile string
	length  unit.Length
}

// pieces returns what a task puts on its run. A one-piece seal is one profile;
// what a track carries is one profile each.
func pieces(c *coach.Coach, t plan.Task) (out []piece) {
	s, r := runOf(c, t)
	if r == nil || !fits(t.Kind) {
		return nil
	}
	for i := range r.Parts {
		p := &r.Parts[i]
		switch {
		case t.Kind == coach.ReplaceBulb && p.Kind != coach.Bulb,
			t.Kind == coach.Rebond && p.Kind != coach.Adhesive,
			p.Kind == coach.Corner:
			continue
		case r.Construction == coach.PushOn && len(out) > 0:
			continue // the same piece
		}
		out = append(out, piece{ProfileOf(r, p), s.Length(*r)})
	}
	return out
}

// ProfileOf names the section of a part: as the shop calls it, else by
// construction, material, part and height.
func ProfileOf(r *coach.Run, p *coach.Part) string {
	if p.Profile != "" {
		return p.Profile
	}
	name := string(p.Material) + " " + string(p.Kind)
	if r.Construction == coach.PushOn {
		name = "push-on trim, " + string(p.Material)
	}
	if r.FreeHeight > 0 && (p.Kind == coach.Bulb || r.Construction == coach.PushOn) {
		name += " " + r.FreeHeight.Format(unit.Metric)
	}
	return name
}

// wait returns how many days a piece takes to be at hand: little when a coil or a
// remnant that is long enough is on the shelf.
func (m *maker) wait(p piece) int {
	if s := m.profiles[p.profile]; s != nil &&
		(s.Coils > 0 || slices.ContainsFunc(s.Remnants, func(l unit.Length) bool { return p.length > 0 && l >= p.length })) {
		return m.Rules.Shop.Shelf.Days()
	}
	return m.lead(p.profile)
}

// lead returns how many days a profile takes from order to shelf.
func (m *maker) lead(profile string) int {
	s := m.profiles[profile]
	switch {
	case s != nil && s.Lead > 0:
		return s.Lead
	default:
		return m.Rules.Shop.Lead.Days()
	}
}

// quantiles is how finely a part's band of dates is told apart.
const quantiles = 20

// demand is one piece with the chances of the months in which it may be wanted.
type demand struct {
	length unit.Length
	months map[civil.Date]float64
}

// parts sums what the coming months may ask of each profile. For each part the
// dates at which 1/40, 3/40, ... 39/40 of such parts come to need renewal are each
// turned into a month of work as the plan would: before the season they fall in.
// A part that no visit is planned for is taken to be sound on the day of the plan,
// so only what is left of its band counts; a part with a visit counts on its day
// for all dates up to it.
func (m *maker) parts() {
	m.firstWanted()
	by := map[string][]demand{}
	planned := m.plannedDays()
	for i := range m.Members {
		x := &m.Members[i]
		for _, t := range x.Tasks {
			k := taskOf{x.Coach.ID, t.Key()}
			day, ok := planned[k]
			if !fits(t.Kind) || m.needless[k] || !ok && (t.Earliest >= m.end || m.elsewhere(x, t)) {
				continue
			}
			months := m.months(x, t, day)
			for _, p := range pieces(x.Coach, t) {
				if p.length == 0 {
					m.problem("%s %s: its slide was not measured, so its length is not in the parts list", x.Coach.ID, t.Run)
					continue
				}
				by[p.profile] = append(by[p.profile], demand{p.length + unit.Length(m.Rules.Shop.Allowance.Value), months})
			}
		}
	}
	for profile, ds := range by {
		m.byMonth(profile, ds)
	}
	slices.SortFunc(m.out.Parts, func(a, b Need) int {
		return cmp.Or(cmp.Compare(a.Month, b.Month), cmp.Compare(a.Profile, b.Profile))
	})
	m.shelve()
}

// shelve counts the shelf down, month by month, and dates what is to be ordered.
func (m *maker) shelve() {
	left := map[string]unit.Length{}
	for p, s := range m.profiles {
		coil := s.Coil
		if coil == 0 {
			coil = unit.Length(m.Rules.Shop.Coil.Value)
		}
		left[p] = unit.Length(s.Coils) * coil
		for _, r := range s.Remnants {
			left[p] += r
		}
	}
	for i := range m.out.Parts {
		n := &m.out.Parts[i]
		n.Shelf = left[n.Profile]
		n.Order = max(0, n.High-n.Shelf)
		left[n.Profile] = max(0, n.Shelf-n.Expected)
		if n.Order > 0 {
			by := m.orderBy(n.Profile, n.Month)
			n.OrderBy, n.TooLate = max(m.On, by), by < m.On
		}
	}
}

// elsewhere reports whether the coach will be out of reach when a task is done.
func (m *maker) elsewhere(x *Member, t plan.Task) bool {
	on := max(m.On, t.Target)
	spans := exposure.Spans(x.Coach.Stays, on, on+1)
	return len(spans) > 0 && m.tooFar(x.Coach.Stays[spans[0].Stay].Site)
}

type taskOf struct {
	coach coach.ID
	key   string
}

func (m *maker) plannedDays() map[taskOf]civil.Date {
	out := map[taskOf]civil.Date{}
	for _, v := range m.out.Visits {
		for _, t := range v.Tasks {
			out[taskOf{v.Coach, t.Key()}] = v.Day
		}
	}
	return out
}

func firstOf(d civil.Date) civil.Date {
	y, mo, _ := d.YMD()
	return civil.Of(y, mo, 1)
}

// months returns the chance of each month of the plan to be the one in which a
// task's piece is wanted. What is certain, such as a refit, is wanted on the day
// of its visit.
func (m *maker) months(x *Member, t plan.Task, day civil.Date) map[civil.Date]float64 {
	out := map[civil.Date]float64{}
	f := forecastOf(x.Forecasts, t)
	if f == nil || f.Likely == 0 {
		if day != 0 {
			out[firstOf(day)] = 1
		}
		return out
	}
	ahead := func(need civil.Date) civil.Date { return max(m.On, x.Setting.Ahead(m.Rules, need)) }
	middle, gone := ahead(f.Likely), 0.0
	if day == 0 {
		gone = shareBy(f, m.On)
	}
	for k := range quantiles {
		work := ahead(quantile(f, gone+(1-gone)*(float64(k)+.5)/quantiles))
		if day != 0 && (work == middle || work < day) {
			work = day // the plan moved it
		}
		if work < m.end {
			out[firstOf(work)] += 1. / quantiles
		}
	}
	return out
}

func forecastOf(fs []projection.Forecast, t plan.Task) *projection.Forecast {
	for i := range fs {
		if f := &fs[i]; f.Run == t.Run && f.Part == t.Part && f.Hold.IsZero() && f.Governing != "" {
			return f
		}
	}
	return nil
}

// z90 is the deviate that a normal variable stays below in 90 of 100 cases.
const z90 = 1.2815515655446004

// quantile returns the day by which a share of such parts has come to need
// renewal: a normal curve through early (10 %) and likely (50 %) below the middle,
// and through likely and late (90 %) above it.
func quantile(f *projection.Forecast, p float64) civil.Date {
	z := math.Sqrt2 * math.Erfinv(2*p-1) / z90
	side := f.Likely.DaysUntil(f.Late)
	if z < 0 {
		side = f.Early.DaysUntil(f.Likely)
	}
	return f.Likely.Add(int(math.Round(z * float64(side))))
}

// shareBy returns the share of such parts that has come to need renewal by a day;
// the inverse of quantile.
func shareBy(f *projection.Forecast, on civil.Date) float64 {
	side := f.Likely.DaysUntil(f.Late)
	if on < f.Likely {
		side = f.Early.DaysUntil(f.Likely)
	}
	return .5 * (1 + math.Erf(z90*float64(f.Likely.DaysUntil(on))/float64(max(1, side))/math.Sqrt2))
}

// byMonth adds up one profile's months.
func (m *maker) byMonth(profile string, ds []demand) {
	months := map[civil.Date]bool{}
	for _, d := range ds {
		for mo := range d.months {
			months[mo] = true
		}
	}
	waste := unit.Length(1 + m.Rules.Shop.Waste.Value)
	for mo := range months {
		var lengths, chances []float64
		n := Need{Profile: profile, Month: mo}
		for _, d := range ds {
			if p := d.months[mo]; p > 0 {
				lengths, chances = append(lengths, float64(d.length*waste)/float64(unit.Foot)), append(chances, p)
				n.Expected += unit.Length(p) * d.length * waste
				n.Pieces += p
			}
		}
		n.High = unit.Length(ninety(lengths, chances)) * unit.Foot
		m.out.Parts = append(m.out.Parts, n)
	}
}

// orderBy returns the day to order for the first visit of a month that needs a
// profile, or for the month's first day.
func (m *maker) orderBy(profile string, month civil.Date) civil.Date {
	first, ok := m.wanted[profileMonth{profile, month}]
	if !ok {
		first = month
	}
	return first.Add(-m.lead(profile))
}

type profileMonth struct {
	profile string
	month   civil.Date
}

// firstWanted finds the first planned visit of each month that needs a profile.
func (m *maker) firstWanted() {
	m.wanted = map[profileMonth]civil.Date{}
	for _, v := range m.out.Visits {
		if v.Unplaced {
			continue
		}
		for _, t := range v.Tasks {
			for _, p := range pieces(m.byID[v.Coach].Coach, t) {
				k := profileMonth{p.profile, firstOf(v.Day)}
				if d, ok := m.wanted[k]; !ok || v.Day < d {
					m.wanted[k] = v.Day
				}
			}
		}
	}
}

// ninety returns the feet that are not exceeded in 90 of 100 cases when each
// length is wanted with its chance, independently of the others: exactly over
// whole feet while that is small, by the normal curve beyond.
func ninety(feet, chances []float64) float64 {
	total := 0
	for _, f := range feet {
		total += int(math.Ceil(f))
	}
	if len(feet)*total > 200_000 {
		mean, v, sum := 0.0, 0.0, 0.0
		for i, f := range feet {
			mean, v, sum = mean+f*chances[i], v+f*f*chances[i]*(1-chances[i]), sum+f
		}
		return min(sum, mean+z90*math.Sqrt(v))
	}
	at := make([]float64, total+1) // chance of so many feet
	at[0] = 1
	for i, f := range feet {
		n := int(math.Ceil(f))
		for k := total; k >= 0; k-- {
			at[k] *= 1 - chances[i]
			if k >= n {
				at[k] += at[k-n] * chances[i]
			}
		}
	}
	sum := 0.0
	for k, p := range at {
		if sum += p; sum >= .9-1e-12 {
			return float64(k)
		}
	}
	return float64(total)
}

// cuts cuts the pieces of all planned visits, profile by profile.
func (m *maker) cuts() {
	by := map[string][]Piece{}
	for _, v := range m.out.Visits {
		if v.Unplaced {
			continue
		}
		x := m.byID[v.Coach]
		for _, t := range v.Tasks {
			for _, p := range pieces(x.Coach, t) {
				if p.length > 0 {
					by[p.profile] = append(by[p.profile],
						Piece{v.Coach, t.Run, v.Day, p.length + unit.Length(m.Rules.Shop.Allowance.Value)})
				}
			}
		}
	}
	for _, profile := range sortedKeys(by) {
		m.cut(profile, by[profile])
	}
}

func sortedKeys[V any](in map[string]V) []string {
	out := make([]string, 0, len(in))
	for k := range in {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (m *maker) cut(profile string, ps []Piece) {
	o := cutting.Order{Coil: int(m.Rules.Shop.Coil.Value)}
	if s := m.profiles[profile]; s != nil {
		if s.Coil > 0 {
			o.Coil = int(s.Coil)
		}
		for _, r := range s.Remnants {
			o.Remnants = append(o.Remnants, int(r))
		}
	}
	for _, p := range ps {
		o.Pieces = append(o.Pieces, int(math.Ceil(float64(p.Length))))
	}
	c := cutting.Make(o)
	for _, i := range c.TooLong {
		m.problem("%s %s: a piece of %s is longer than any stock of %q; join it or order it in one length", ps[i].Coach,
			ps[i].Run, ps[i].Length.Format(""), profile)
	}
	if s := m.profiles[profile]; s != nil && c.Coils > s.Coils {
		m.problem("%q: coils to be cut into: %d; at hand: %d", profile, c.Coils, s.Coils)
	}
	for _, b := range c.Bars {
		x := Cut{Profile: profile, Length: unit.Length(b.Length), New: b.New, Optimal: c.Optimal()}
		for _, i := range b.Pieces {
			x.Pieces = append(x.Pieces, ps[i])
		}
		if left := unit.Length(b.Left); left >= unit.Length(m.Rules.Shop.Keep.Value) {
			x.Remnant = left
		} else {
			x.Waste = left
		}
		m.out.Cuts = append(m.out.Cuts, x)
	}
}
