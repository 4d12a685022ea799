// Package exposure turns stays and climate into what a run of seal lives
// through: a timeline of spans, and for each span the daily ageing rates of a
// surface at that place.
//
// It is pure and imports coach, climate, wear and row 0. Package projection
// builds timelines and reads doses from them. The daily rates of a (place, face,
// shelter, topper, material) are computed once and shared through Tables.
package exposure

import (
	"math"
	"sync"

	"sealmanac/internal/civil"
	"sealmanac/internal/climate"
	"sealmanac/internal/coach"
	"sealmanac/internal/wear"
)

// Rules are the shares and temperatures of the rulebook that shape exposure.
type Rules struct {
	ViewTop, ViewSide, ViewBottom, ViewBehind float64 // shares of sun
	Topper, Carport                           float64 // factors on it
	IndoorMean, IndoorFollow, CabinFollow     float64
	UVActivation                              float64 // kJ/mol
}

// Surface is what of a material matters to its exposure. A zero activation
// energy means that the process does not run.
type Surface struct {
	Absorptance                            float64
	SetEa, HardEa, PlasticiserEa, AdhereEa float64 // kJ/mol
}

// Rates are the ageing of one day.
type Rates struct {
	Set, Hard, Plasticiser, Adhere float64 // days at 25 °C per day
	UV                             float64 // MJ/m² in 295-385 nm at 25 °C
}

// Add returns r + k o.
func (r Rates) Add(o Rates, k float64) Rates {
	return Rates{r.Set + k*o.Set, r.Hard + k*o.Hard, r.Plasticiser + k*o.Plasticiser, r.Adhere + k*o.Adhere, r.UV + k*o.UV}
}

// Table holds the running sums of daily rates over a leap year, so that the dose
// of any period is the difference of two sums.
type Table struct {
	sum  [367]Rates // sum[i]: slots 0..i-1
	leap Rates      // 29 February
	year Rates      // a common year
}

// Until returns the dose from the start of year 2000 to the start of day d. The
// dose of a period is the difference of two such values; it is exactly the sum
// of its days' rates.
func (t *Table) Until(p Point) Rates {
	r := t.sum[p.slot]
	if p.slot > 59 && !p.leap {
		r = r.Add(t.leap, -1)
	}
	return r.Add(t.year, float64(p.year)).Add(t.leap, float64(p.leaps))
}

// Point is the start of a day, cut up for Table.Until.
type Point struct {
	Day               civil.Date
	year, leaps, slot int
	leap              bool
}

// At returns the point of a day.
func At(d civil.Date) Point {
	y, slot := d.Slot()
	return Point{d, y - 2000, civil.LeapsBefore(y) - civil.LeapsBefore(2000), slot, civil.IsLeap(y)}
}

// face is the direction a seal's light comes from.
type face int16

// The faces: a roof, a wall of known bearing (0..359) or a wall of unknown one.
const (
	roof    face = -2
	anyWall face = -1
)

// air is how the outdoor air reaches a seal.
type air uint8

const (
	outdoors air = iota
	cabin        // the inner seal: damped swing, no sun
	indoors      // the whole coach under a roof with walls
)

type key struct {
	site    string
	face    face
	view    float64
	air     air
	surface Surface
}

// Tables computes and keeps rate tables. It is safe for concurrent use; equal
// keys give equal tables whoever asks first.
type Tables struct {
	rules  Rules
	mu     sync.RWMutex
	tables map[key]*Table
}

// NewTables returns an empty set of tables under the rules.
func NewTables(r Rules) *Tables { return &Tables{rules: r, tables: map[key]*Table{}} }

// Place is a site with its typical months. ID is unique per distinct climate.
type Place struct {
	ID      string
	Normals climate.Normals
}

// For returns the table of a seal on a slide during a stay. The room's state and
// the shelter decide the light; the surface decides the rates.
func (t *Tables) For(p *Place, st *coach.Stay, slide *coach.Slide, run *coach.Run, s Surface) *Table {
	k := key{site: p.ID, surface: s}
	k.face, k.view, k.air = t.light(st, slide, run)
	t.mu.RLock()
	tab := t.tables[k]
	t.mu.RUnlock()
	if tab == nil {
		tab = t.compute(k, p)
		t.mu.Lock()
		t.tables[k] = tab
		t.mu.Unlock()
	}
	return tab
}

// light returns what reaches a seal: the face whose radiation counts, the share
// of it, and the air.
func (t *Tables) light(st *coach.Stay, slide *coach.Slide, run *coach.Run) (face, float64, air) {
	r := &t.rules
	if st.Shelter == coach.Indoor {
		return roof, 0, indoors
	}
	if run.Position == coach.Inner {
		return roof, 0, cabin
	}
	f, view := wallOf(st.Heading, slide.Wall), r.ViewSide
	switch {
	case st.Rooms == coach.RoomsIn:
		view = r.ViewBehind
	case run.Side == coach.Top:
		f, view = roof, r.ViewTop
		if covered := slide.Topper; st.Topper != nil && *st.Topper || st.Topper == nil && covered {
			view *= r.Topper
		}
	case run.Side == coach.Bottom:
		view = r.ViewBottom
	}
	if st.Shelter == coach.Carport {
		view *= r.Carport
	}
	return f, view, outdoors
}

// wallOf returns the bearing a slide's wall looks to, to the nearest 15 degrees.
func wallOf(heading float64, wall coach.Side4) face {
	if heading < 0 {
		return anyWall
	}
	turn := map[coach.Side4]float64{coach.Left: -90, coach.Right: 90, coach.Rear: 180}[wall]
	b := math.Mod(heading+turn+720, 360)
	return face(int(math.Round(b/15)) * 15 % 360)
}

// compute integrates typical days of each month and spreads the monthly rates
// over the year.
func (t *Tables) compute(k key, p *Place) *Table {
	faces := []climate.Face{climate.Roof}
	switch {
	case k.view == 0 || k.face == roof:
	case k.face == anyWall:
		faces = []climate.Face{climate.Wall(0), climate.Wall(90), climate.Wall(180), climate.Wall(270)}
	default:
		faces = []climate.Face{climate.Wall(float64(k.face))}
	}
	var months [5][12]float64
	for m := range 12 {
		var mean Rates
		for _, f := range faces {
			mean = mean.Add(t.month(k, p, m, f), 1/float64(len(faces)))
		}
		for i, v := range mean.list() {
			months[i][m] = v
		}
	}
	return tableOf(months)
}

// month returns the mean daily rates of a month on one face.
func (t *Tables) month(k key, p *Place, m int, f climate.Face) Rates {
	sun := climate.Sun(p.Normals.Lat, climate.MeanDay[m])
	typical := p.Normals.Months[m]
	mean := (typical.Tmax + typical.Tmin) / 2
	skyView := 0.0
	if f == climate.Roof && k.air == outdoors {
		skyView = k.view
	}
	var sum Rates
	for _, s := range climate.TypicalDay(sun, f, typical) {
		a := s.Air
		switch k.air {
		case indoors:
			a = t.rules.IndoorMean + t.rules.IndoorFollow*(mean-t.rules.IndoorMean) + 0.3*t.rules.IndoorFollow*(s.Air-mean)
		case cabin:
			a = mean + t.rules.CabinFollow*(s.Air-mean)
		}
		ts := climate.SurfaceTemperature(a, s.Sun*k.view, k.surface.Absorptance, skyView)
		sum = sum.Add(t.rates(k.surface, ts, s.UV*k.view), 1.0/climate.Steps)
	}
	return sum
}

// rates returns the momentary rates at surface temperature ts under uv W/m².
func (t *Tables) rates(s Surface, ts, uv float64) Rates {
	x := 1000 / wear.GasConstant * (1/wear.Reference - 1/(ts+273.15))
	at := func(ea float64) float64 {
		if ea == 0 {
			return 0
		}
		return math.Exp(ea * x)
	}
	r := Rates{Set: at(s.SetEa), Hard: at(s.HardEa), Plasticiser: at(s.PlasticiserEa), Adhere: at(s.AdhereEa)}
	if uv > 0 {
		r.UV = uv * 86400 / 1e6 * math.Exp(t.rules.UVActivation*x)
	}
	return r
}

func (r Rates) list() [5]float64 {
	return [5]float64{r.Set, r.Hard, r.Plasticiser, r.Adhere, r.UV}
}

func tableOf(months [5][12]float64) *Table {
	var daily [5][366]float64
	for i := range months {
		daily[i] = climate.Daily(months[i])
	}
	var tab Table
	for d := range 366 {
		day := Rates{daily[0][d], daily[1][d], daily[2][d], daily[3][d], daily[4][d]}
		tab.sum[d+1] = tab.sum[d].Add(day, 1)
		if d == 59 {
			tab.leap = day
		}
	}
	tab.year = tab.sum[366].Add(tab.leap, -1)
	return &tab
}
