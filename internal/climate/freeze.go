package climate

import (
	"time"

	"sealmanac/internal/civil"
)

// midMonth is the middle of each month as a place in a 366-day table.
var midMonth = [13]float64{15.5, 45.5, 75.5, 106, 136.5, 167, 197.5, 228.5, 259, 289.5, 320, 350.5, 381.5}

// Daily spreads twelve monthly values over the 366 slots of civil.Date.Slot, on
// straight lines between the middles of the months.
func Daily(months [12]float64) (out [366]float64) {
	for d := range out {
		m, f := between(d)
		out[d] = months[m]*(1-f) + months[(m+1)%12]*f
	}
	return out
}

// between returns the month whose middle comes last before a slot, and how far it
// is on the way to the next one's.
func between(slot int) (month int, share float64) {
	x := float64(slot) + 0.5
	if x < midMonth[0] {
		x += 366
	}
	for month < 11 && x >= midMonth[month+1] {
		month++
	}
	return month, (x - midMonth[month]) / (midMonth[month+1] - midMonth[month])
}

// Night returns the mean daily minimum on a day, in °C.
func (n Normals) Night(d civil.Date) float64 {
	_, slot := d.Slot()
	m, f := between(slot)
	return n.Months[m].Tmin*(1-f) + n.Months[(m+1)%12].Tmin*f
}

// FreezeMargin is the mean daily minimum, in °C, below which a frost is to be
// reckoned with: 2 °C. With the usual day-to-day spread of about 4 K that is a
// frost on roughly three nights in ten (our default, not measured).
const FreezeMargin = 2.0

// FrostFree returns the part of the year outside which frost is to be reckoned
// with, from the mean daily minimum against FreezeMargin, and whether there is
// such a split at all: a place that never or always freezes has none.
func (n Normals) FrostFree() (season civil.Season, ok bool) {
	var tmin [12]float64
	for m, v := range n.Months {
		tmin[m] = v.Tmin
	}
	daily := Daily(tmin)
	var opens, closes civil.MonthDay
	for d, t := range daily {
		prev := daily[(d+365)%366]
		switch {
		case prev < FreezeMargin && t >= FreezeMargin:
			opens = slotDay(d)
		case prev >= FreezeMargin && t < FreezeMargin:
			closes = slotDay((d + 365) % 366)
		}
	}
	if opens.IsZero() || closes.IsZero() {
		return civil.Season{}, false
	}
	return civil.Season{Opens: opens, Closes: closes}, true
}

// slotDay is the inverse of civil.Date.Slot.
func slotDay(slot int) civil.MonthDay {
	_, m, d := civil.Of(2000, time.January, 1).Add(slot).YMD()
	return civil.MonthDay{Month: m, Day: d}
}
