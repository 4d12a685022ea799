// Package climate gives typical conditions by place and month as values: towns
// and postal codes to coordinates, stations to monthly normals, and the sun and
// air temperature over a typical day on any face of a coach.
//
// It is pure: the tables come in as bytes (package config embeds them). It may
// import row 0 only; exposure turns its days into ageing rates, intake resolves
// places with it, and plan asks it for freeze dates.
package climate

import "math"

// SolarDay is the geometry of the sun on one day of the year at one latitude.
type SolarDay struct {
	Lat         float64 // latitude, radians, north positive
	Declination float64 // radians
	Sunset      float64 // sunset hour angle ws, radians in [0, pi]
	Ra          float64 // extraterrestrial radiation on the horizontal, MJ/m²d
}

// Sun returns the geometry for a latitude in degrees (-90..90) and a day of the
// year j (1..366), by FAO Irrigation and Drainage Paper 56, eqs 21 and 23-25:
//
//	dr = 1 + 0.033 cos(2 pi J/365), delta = 0.409 sin(2 pi J/365 - 1.39)
//	ws = acos(-tan phi tan delta), clamped to polar day and night
//	Ra = (1440/pi) 0.0820 dr (ws sin phi sin delta + cos phi cos delta sin ws)
func Sun(latDeg float64, j int) SolarDay {
	phi := latDeg * math.Pi / 180
	x := 2 * math.Pi * float64(j) / 365
	dr := 1 + 0.033*math.Cos(x)
	delta := 0.409 * math.Sin(x-1.39)
	ws := math.Acos(min(1, max(-1, -math.Tan(phi)*math.Tan(delta))))
	ra := 1440 / math.Pi * 0.0820 * dr * (ws*math.Sin(phi)*math.Sin(delta) + math.Cos(phi)*math.Cos(delta)*math.Sin(ws))
	return SolarDay{Lat: phi, Declination: delta, Sunset: ws, Ra: max(0, ra)}
}

// Daylight returns the daylight hours N = 24 ws/pi (FAO-56 eq 34).
func (s SolarDay) Daylight() float64 { return 24 * s.Sunset / math.Pi }

// ClearSky returns the clear-sky radiation (0.75 + 2e-5 z) Ra in MJ/m²d at z
// metres above sea level (FAO-56 eq 37).
func (s SolarDay) ClearSky(z float64) float64 { return (0.75 + 2e-5*z) * s.Ra }

// FromSunshine returns global radiation (0.25 + 0.50 n/N) Ra in MJ/m²d from n
// hours of bright sunshine a day (FAO-56 eq 35). Against TMY3 at 136 US
// stations its error is about 8 % rms.
func (s SolarDay) FromSunshine(n float64) float64 {
	if s.Daylight() == 0 {
		return 0
	}
	return (0.25 + 0.50*min(1, n/s.Daylight())) * s.Ra
}

// FromRange returns global radiation kRs sqrt(Tmax-Tmin) Ra in MJ/m²d from the
// daily temperature range in K, capped at ClearSky (FAO-56 eq 50, Hargreaves).
// kRs is 0.16 inland, 0.19 on a coast. Against TMY3 its error is about 12 % rms.
func (s SolarDay) FromRange(kRs, rangeK, z float64) float64 {
	return min(s.ClearSky(z), kRs*math.Sqrt(max(0, rangeK))*s.Ra)
}

// DiffuseShare returns Hd/H for a monthly mean day of clearness kt = H/Ra
// (Erbs, Klein and Duffie 1982), valid for kt 0.3..0.8 and clamped to it. ws is
// the sunset hour angle in radians; the winter form holds up to 81.4 degrees.
func DiffuseShare(kt, ws float64) float64 {
	kt = min(0.8, max(0.3, kt))
	if ws <= 81.4*math.Pi/180 {
		return 1.391 + kt*(-3.560+kt*(4.189-2.137*kt))
	}
	return 1.311 + kt*(-3.022+kt*(3.427-1.821*kt))
}

// hourShares returns r_t and r_d: the shares, per hour, of the day's global and
// diffuse radiation that arrive at hour angle w (Collares-Pereira and Rabl 1979;
// Liu and Jordan 1960). r_t must be renormalised over the day.
func (s SolarDay) hourShares(w float64) (rt, rd float64) {
	if math.Abs(w) >= s.Sunset {
		return 0, 0
	}
	rd = math.Pi / 24 * (math.Cos(w) - math.Cos(s.Sunset)) / (math.Sin(s.Sunset) - s.Sunset*math.Cos(s.Sunset))
	k := s.Sunset - math.Pi/3
	a, b := 0.409+0.5016*math.Sin(k), 0.6609-0.4767*math.Sin(k)
	return (a + b*math.Cos(w)) * rd, rd
}

// cosZenith returns the cosine of the zenith angle at hour angle w.
func (s SolarDay) cosZenith(w float64) float64 {
	return math.Sin(s.Lat)*math.Sin(s.Declination) + math.Cos(s.Lat)*math.Cos(s.Declination)*math.Cos(w)
}

// cosIncidence returns the cosine of the angle between the sun and the normal
// of a face at hour angle w.
func (s SolarDay) cosIncidence(f Face, w float64) float64 {
	sd, cd := math.Sincos(s.Declination)
	sp, cp := math.Sincos(s.Lat)
	sb, cb := math.Sincos(f.Tilt)
	sg, cg := math.Sincos(f.Azimuth)
	sw, cw := math.Sincos(w)
	return sd*sp*cb - sd*cp*sb*cg + cd*cp*cb*cw + cd*sp*sb*cg*cw + cd*sb*sg*sw
}
