package climate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Normals are the typical twelve months of a point and how they were found.
type Normals struct {
	Lat, Lon, Elev float64 // degrees, degrees, metres
	Months         [12]Month
	Station        string  // the temperature station; "entered by the shop" for an override
	Km, Dz         float64 // its distance in km and its height above the point, m
	Method         string  // how temperature and radiation were found, with the stated error
	SunError       float64 // stated rms error of monthly radiation, as a share
}

const (
	lapse       = 6.5 / 1000 // K/m, the standard atmosphere's
	perHeight   = 0.1        // km of distance that one metre of height counts as
	typicalCost = 40.0       // km: a 30-year normal is preferred to a typical year this far
	// TMY3 minus 1991-2020 normals at the same airport, 2,256 station-months.
	typicalTmax, typicalTmin = -0.87, -0.24
	nearSun                  = 150.0 // km: a measured sky this near beats a computed one
	farSun                   = 400.0
	onTheSpot                = 15.0 // km: such a station counts for a third
	nearest                  = 20   // stations that share in the clearness: many, since each is one typical year
)

// At returns the typical months of a point. elev is in metres. It takes the
// temperature from the nearest station, a metre of height counting as 100 m of
// distance, corrected by 6.5 K/km; and the radiation by the best method at hand.
func (t *Tables) At(lat, lon, elev float64) Normals {
	n := Normals{Lat: lat, Lon: lon, Elev: elev}
	s, typical := t.temperatureStation(lat, lon, elev)
	n.Station, n.Km, n.Dz = s.Name, Distance(lat, lon, s.Lat, s.Lon), s.Elev-elev
	shift := n.Dz * lapse
	kind := "temperature normals"
	for m := range n.Months {
		n.Months[m].Tmax, n.Months[m].Tmin = s.Tmax[m]+shift, s.Tmin[m]+shift
		if typical {
			n.Months[m].Tmax -= typicalTmax
			n.Months[m].Tmin -= typicalTmin
		}
	}
	if typical {
		kind = "typical-year temperature, corrected by +0.9/+0.2 K, ±1.6 K a month (one typical year, not a mean)"
	}
	n.fillRadiation(t)
	n.Method = kind + "; radiation " + n.Method
	return n
}

// Override returns the typical months of a point whose twelve mean extremes the
// shop entered; the radiation is still found from the tables.
func (t *Tables) Override(lat, lon, elev float64, tmax, tmin [12]float64) Normals {
	n := Normals{Lat: lat, Lon: lon, Elev: elev, Station: "entered by the shop"}
	for m := range n.Months {
		n.Months[m].Tmax, n.Months[m].Tmin = tmax[m], tmin[m]
	}
	n.fillRadiation(t)
	n.Method = "temperature entered by the shop; radiation " + n.Method
	return n
}

func (t *Tables) temperatureStation(lat, lon, elev float64) (s *Station, typical bool) {
	best := math.Inf(1)
	look := func(list []Station, extra float64, isTypical bool) {
		for i := range list {
			c := &list[i]
			if math.Abs(c.Lat-lat)*111 > best {
				continue
			}
			cost := Distance(lat, lon, c.Lat, c.Lon) + perHeight*math.Abs(c.Elev-elev) + extra
			if cost < best {
				best, s, typical = cost, c, isTypical
			}
		}
	}
	look(t.normals, 0, false)
	look(t.typical, typicalCost, true)
	return s, typical
}

// neighbour is a station and its distance.
type neighbour struct {
	*Station
	km float64
}

func closest(list []Station, lat, lon float64, want int, ok func(*Station) bool) []neighbour {
	var all []neighbour
	for i := range list {
		if ok(&list[i]) {
			all = append(all, neighbour{&list[i], Distance(lat, lon, list[i].Lat, list[i].Lon)})
		}
	}
	slices.SortFunc(all, func(a, b neighbour) int { return cmp.Or(cmp.Compare(a.km, b.km), cmp.Compare(a.ID, b.ID)) })
	return all[:min(want, len(all))]
}

// fillRadiation sets Global by the first method that reaches the point:
// clearness of TMY3 stations within 150 km, sunshine hours within 150 km,
// clearness within 400 km, else the daily temperature range.
func (n *Normals) fillRadiation(t *Tables) {
	sky := closest(t.typical, n.Lat, n.Lon, nearest, func(s *Station) bool { return s.Global[6] > 0 })
	sun := closest(t.normals, n.Lat, n.Lon, 1, func(s *Station) bool { return s.Sun[6] > 0 })
	reach := func(l []neighbour, km float64) bool { return len(l) > 0 && l[0].km <= km }
	switch {
	case reach(sky, nearSun):
		n.fromClearness(sky, .10)
	case reach(sun, nearSun):
		n.fromSunshine(sun[0])
	case reach(sky, farSun):
		n.fromClearness(sky, .12)
	default:
		n.fromRange()
	}
}

// fromClearness takes the clearness of the nearest stations, weighted by the
// inverse root of their distance (found by leaving 49 stations out one by one);
// a station on the spot counts for a third.
func (n *Normals) fromClearness(sky []neighbour, err float64) {
	for m := range n.Months {
		var kt, weight, own float64
		for i, s := range sky {
			ra := Sun(s.Lat, MeanDay[m]).Ra
			if ra <= 0.5 {
				continue // polar night
			}
			k := s.Global[m] * 3.6 / ra
			if i == 0 && s.km < onTheSpot {
				own = k
			}
			w := 1 / math.Sqrt(max(30, s.km))
			kt, weight = kt+w*k, weight+w
		}
		if weight == 0 {
			continue
		}
		kt /= weight
		if own > 0 {
			kt = (2*kt + own) / 3
		}
		n.Months[m].Global = kt * Sun(n.Lat, MeanDay[m]).Ra
	}
	n.Method = fmt.Sprintf("from the clearness at %s (%.0f km) and neighbours, ±%.0f %%", sky[0].Name, sky[0].km, err*100)
	n.SunError = err
}

func (n *Normals) fromSunshine(s neighbour) {
	days := [12]float64{31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	for m := range n.Months {
		n.Months[m].Global = Sun(n.Lat, MeanDay[m]).FromSunshine(s.Sun[m] / days[m])
	}
	n.Method = fmt.Sprintf("from sunshine hours at %s (%.0f km), ±8 %%", s.Name, s.km)
	n.SunError = .08
}

func (n *Normals) fromRange() {
	for m, v := range n.Months {
		n.Months[m].Global = Sun(n.Lat, MeanDay[m]).FromRange(.16, v.Tmax-v.Tmin, n.Elev)
	}
	n.Method = "from the daily temperature range (Hargreaves, kRs 0.16), ±15 %"
	n.SunError = .15
}

// Annual returns the year's global radiation in MJ/m² and the hottest mean
// maximum and coldest mean minimum of the months in °C.
func (n Normals) Annual() (globalMJ, hottest, coldest float64) {
	hottest, coldest = math.Inf(-1), math.Inf(1)
	for _, m := range n.Months {
		globalMJ += m.Global * 365.2425 / 12
		hottest, coldest = max(hottest, m.Tmax), min(coldest, m.Tmin)
	}
	return globalMJ, hottest, coldest
}
