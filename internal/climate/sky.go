package climate

import "math"

// Face is a plane of a coach: Tilt from the horizontal and Azimuth of its
// outward normal from the south, west positive, both in radians.
type Face struct {
	Tilt, Azimuth float64
}

// Wall returns the vertical face that looks to a compass bearing in degrees
// (0 north, 90 east).
func Wall(bearing float64) Face {
	return Face{Tilt: math.Pi / 2, Azimuth: (bearing - 180) * math.Pi / 180}
}

// Roof is the horizontal face.
var Roof = Face{}

// Steps is the number of equal parts a typical day is cut into.
const Steps = 48

// Step is one part of a typical day on one face, at the middle of the part.
type Step struct {
	Air float64 // air temperature, °C
	Sun float64 // solar radiation on the face, W/m²
	UV  float64 // of that, 295-385 nm, W/m²
}

// Albedo is the ground reflectance of the computation: 0.2, bare ground or
// grass (the usual handbook value; snow is ignored).
const Albedo = 0.2

// UVShare is the share of global radiation in 295-385 nm: 0.0445, derived from
// published ratios of 0.035-0.054 (see DEVELOPERS.md, "What was checked").
const UVShare = 0.0445

// uvDiffuse is the least diffuse share of the UV used when tilting: 0.75, from
// the tilted-to-horizontal ratios of Navntoft et al. 2012 (abstract).
const uvDiffuse = 0.75

// Sky chooses how diffuse light is spread over the sky dome.
type Sky uint8

// The two skies. Circumsolar (Hay and Davies 1980) puts the share Ib/I0 of the
// diffuse light beside the sun; without it north walls come out 15 % too bright.
const (
	Circumsolar Sky = iota
	Isotropic
)

// day spreads a day's global radiation (MJ/m²d) over n parts.
type day struct {
	SolarDay
	n       int
	global  float64 // MJ/m²d
	diffuse float64 // MJ/m²d
	scale   float64 // makes the parts of r_t sum to the day
	rdScale float64
}

func newDay(s SolarDay, globalMJ float64, n int) day {
	d := day{SolarDay: s, n: n, global: min(globalMJ, s.Ra), scale: 1, rdScale: 1}
	if s.Ra <= 0 || globalMJ <= 0 {
		d.global = 0
		return d
	}
	d.diffuse = d.global * DiffuseShare(d.global/s.Ra, s.Sunset)
	var st, sd float64
	for i := range n {
		rt, rd := s.hourShares(d.hourAngle(i))
		st, sd = st+rt, sd+rd
	}
	if st > 0 && sd > 0 {
		d.scale, d.rdScale = float64(n)/24/st, float64(n)/24/sd
	}
	return d
}

// hourAngle returns the hour angle of the middle of part i.
func (d day) hourAngle(i int) float64 {
	return ((float64(i)+0.5)/float64(d.n) - 0.5) * 2 * math.Pi
}

// on returns the radiation on a face during part i: total and UV in MJ/m²h.
func (d day) on(f Face, i int, sky Sky) (total, uv float64) {
	w := d.hourAngle(i)
	rt, rd := d.hourShares(w)
	if rd == 0 || d.global == 0 {
		return 0, 0
	}
	all, dif := rt*d.scale*d.global, rd*d.rdScale*d.diffuse
	dif = min(dif, all)
	beam := all - dif
	var rb float64
	if cz := d.cosZenith(w); cz > 1e-4 { // beam falls with cz, so the product stays finite
		rb = max(0, d.cosIncidence(f, w)) / cz
	}
	aniso := 0.0
	if i0 := rd * d.rdScale * d.Ra; sky == Circumsolar && i0 > 0 {
		aniso = min(1, beam/i0)
	}
	up, down := (1+math.Cos(f.Tilt))/2, (1-math.Cos(f.Tilt))/2
	total = (beam+dif*aniso)*rb + dif*(1-aniso)*up + Albedo*all*down
	fd := max(uvDiffuse, dif/all)
	uv = UVShare * all * ((1-fd)*rb + fd*up)
	return total, uv
}

// DayTotals returns the day's radiation on a face and the UV in it, both in
// MJ/m²d, for a horizontal global radiation of globalMJ.
func (s SolarDay) DayTotals(f Face, globalMJ float64, sky Sky) (total, uv float64) {
	d := newDay(s, globalMJ, 20*Steps) // the low sun on a winter wall needs fine steps: 96 miss 1.4 % of it
	for i := range d.n {
		t, u := d.on(f, i, sky)
		total, uv = total+t, uv+u
	}
	return total * 24 / float64(d.n), uv * 24 / float64(d.n)
}

// TypicalDay cuts a typical day of the month into Steps parts for a face.
func TypicalDay(s SolarDay, f Face, m Month) [Steps]Step {
	const toWatt = 1e6 / 3600
	d := newDay(s, m.Global, Steps)
	var out [Steps]Step
	for i := range out {
		sun, uv := d.on(f, i, Circumsolar)
		out[i] = Step{Air: s.AirAt((float64(i)+0.5)*24/Steps, m.Tmax, m.Tmin), Sun: sun * toWatt, UV: uv * toWatt}
	}
	return out
}

// Constants of the daily temperature curve at 1.5 m, in hours (Parton and Logan
// 1981, Agric. Meteorol. 23:205-216, Denver values; secondary copy).
const (
	plA = 1.86 // lag of the maximum after solar noon
	plB = 2.20 // night decay
	plC = -0.17
)

// AirAt returns the air temperature in °C at solar hour h in [0, 24) of a day
// with the given extremes: a sine from sunrise+c to sunset, then an exponential
// fall (Parton and Logan 1981). Polar day and night use their limits.
func (s SolarDay) AirAt(h, tmax, tmin float64) float64 {
	y := min(23.9, max(0.1, s.Daylight()))
	z := 24 - y
	rise, set := 12-y/2, 12+y/2
	wave := func(m float64) float64 {
		return tmin + (tmax-tmin)*math.Sin(math.Pi*m/(y+2*(plA-plC)))
	}
	if h >= rise+plC && h <= set {
		return wave(h - rise - plC)
	}
	n := h - set
	if n < 0 {
		n += 24
	}
	return tmin + (wave(set-rise-plC)-tmin)*math.Exp(-plB*n/(z+plC))
}

// Constants of the sol-air relation: outdoor film coefficient 17 W/m²K and the
// long-wave term of 3.9 K for surfaces that see the sky (handbook values,
// secondary copies).
const (
	filmOutside = 17.0
	skyLoss     = 3.9
)

// SurfaceTemperature returns the sol-air temperature in °C of a dry surface of
// solar absorptance a in [0, 1] under sun W/m² in air of temperature air:
//
//	Ts = Ta + a I/ho - (3.9 K, scaled by how much sky the face sees above it)
//
// skyView is 1 for a roof and 0 for a wall. It has no mass and no conduction,
// so it bounds a real seal from above by day.
func SurfaceTemperature(air, sun, a, skyView float64) float64 {
	return air + a*sun/filmOutside - skyLoss*skyView
}
