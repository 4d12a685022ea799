// Package wear is the numeric kernel: temperature rates, set, hardening, loss,
// sliding wear, lubricant film, bond build-up, hazards and rate learning.
//
// It is pure arithmetic without vocabulary. It imports only unit and is called
// by exposure (rates per day), projection (damage to dates), plan and coach
// checks. Functions return NaN outside their stated range; callers check
// constants when the rulebook is read, so stored data never reaches a panic.
package wear

import (
	"math"

	"sealmanac/internal/unit"
)

// GasConstant is R in J/(mol K), exact since the 2019 SI.
const GasConstant = 8.31446261815324

// Reference is the temperature all rates are relative to, in kelvin (25 °C).
const Reference = 298.15

// Rate returns how much faster a thermally activated process runs at t than at
// 25 °C (Arrhenius):
//
//	exp[-(Ea/R)(1/T - 1/298.15)]
//
// ea is the activation energy in kJ/mol, >= 0. Source: ISO 11346 names the law;
// the form is the standard one. Rate is 1 at 25 °C for every ea.
func Rate(ea float64, t unit.Celsius) float64 {
	return math.Exp(-ea * 1000 / GasConstant * (1/t.Kelvin() - 1/Reference))
}

// EffectiveTemperature returns the constant temperature at which a process of
// activation energy ea (kJ/mol, > 0) would run at the given mean rate (> 0):
//
//	Teff = [1/298.15 - (R/Ea) ln rate]^-1
//
// It is never below the mean of the temperatures the rate was averaged over.
func EffectiveTemperature(ea, rate float64) unit.Celsius {
	return unit.Celsius(1/(1/Reference-GasConstant/(ea*1000)*math.Log(rate)) - 273.15)
}

// Set returns the compression set in [0, 1] after xi years of equivalent time
// at 25 °C under compression:
//
//	C = 1 - (1-cp) exp[-(xi/tau)^beta]
//
// cp in [0, 1) is the immediate viscoelastic set, tau > 0 in the unit of xi,
// beta > 0. Source of the stretched-exponential fit: Xie et al. 2024,
// J. Phys. Conf. Ser. 2842:012008 (see testdata/published).
func Set(xi, tau, beta, cp float64) float64 {
	return 1 - (1-cp)*math.Exp(-math.Pow(xi/tau, beta))
}

// SetTime is the inverse of Set with cp 0: the equivalent time at which the set
// reaches c in (0, 1), in the unit of tau.
func SetTime(c, tau, beta float64) float64 {
	return tau * math.Pow(-math.Log1p(-c), 1/beta)
}

// AnchorTau returns tau at 25 °C, in the unit of t, from one hot compression-set
// test: set c in (0, 1) after time t at temperature hot.
//
//	tau = t / (-ln(1-c))^(1/beta) * Rate(ea, hot)
//
// Only a hot test may be used: at 23 °C the set is viscoelastic, not chemical.
func AnchorTau(t, c, beta, ea float64, hot unit.Celsius) float64 {
	return t / math.Pow(-math.Log1p(-c), 1/beta) * Rate(ea, hot)
}

// Modulus returns Young's modulus in MPa of a rubber of Shore A hardness s in
// (0, 100), by Gent's relation (A. N. Gent, 1958, from secondary copies):
//
//	E = 0.0981 (56 + 7.62336 S) / [0.137505 (254 - 2.54 S)]
func Modulus(s float64) float64 {
	return 0.0981 * (56 + 7.62336*s) / (0.137505 * (254 - 2.54*s))
}

// Shore is the inverse of Modulus: the Shore A hardness at e MPa, e > 0.
func Shore(e float64) float64 {
	k := 0.137505 * e / 0.0981
	return (254*k - 56) / (7.62336 + 2.54*k)
}

// LossTime returns when something that leaves by a first-order process, of which the
// share 1 - exp(-xi/tau) is lost at xi, has lost the share l in (0, 1); tau > 0, and the
// result has its unit.
func LossTime(l, tau float64) float64 { return -tau * math.Log1p(-l) }

// WearPerCycle returns the depth in mm a lip loses in one cycle (Archard):
//
//	k p s
//
// k in mm³/(N m), p the contact pressure in N/mm², s the sliding path in m.
func WearPerCycle(k, p, s float64) float64 { return k * p * s }

// Film returns the share of lubricant left, in [0, 1], after n cycles and d
// days: exp(-n/nl - d/dl). nl and dl are > 0. The form is our default, no
// source; the rulebook carries its constants.
func Film(n, d, nl, dl float64) float64 { return math.Exp(-n/nl - d/dl) }

// MeanFilm returns the mean of Film over span days at c cycles a day, starting
// from a full film: (1 - e^(-aT)) / (aT) with a = c/nl + 1/dl. It is 1 for an
// empty span.
func MeanFilm(c, span, nl, dl float64) float64 {
	x := (c/nl + 1/dl) * span
	if x <= 0 {
		return 1
	}
	return -math.Expm1(-x) / x
}

// bondPoints are hours after application and the share of the final bond of an
// acrylic foam tape at room temperature: 50 % at 20 min, 90 % at 24 h, 100 % at
// 72 h (hardware guide, secondary copy; see the table of checks in DEVELOPERS.md).
var bondPoints = [][2]float64{{1.0 / 3, .5}, {24, .9}, {72, 1}}

// Bond returns the share of the final bond, in [0, 1], h hours after an acrylic
// tape was applied, interpolated in the logarithm of time. Below 20 minutes it
// falls linearly to 0.
func Bond(h float64) float64 {
	first, last := bondPoints[0], bondPoints[len(bondPoints)-1]
	switch {
	case h <= 0:
		return 0
	case h <= first[0]:
		return first[1] * h / first[0]
	case h >= last[0]:
		return last[1]
	}
	for i, b := range bondPoints[1:] {
		if a := bondPoints[i]; h <= b[0] {
			return a[1] + (b[1]-a[1])*math.Log(h/a[0])/math.Log(b[0]/a[0])
		}
	}
	return math.NaN()
}

// Squeeze returns the compression of a bulb of free height h0 in a closed gap
// g: (h0-g)/h0. It is <= 0 when the bulb does not touch. h0 must be > 0.
func Squeeze(h0, g unit.Length) float64 { return float64((h0 - g) / h0) }

// Interference returns what is left of the squeeze of a bulb after set c in
// [0, 1]: (1-c)(h0-g). The bulb's recovered height is h0 - c(h0-g).
func Interference(c float64, h0, g unit.Length) unit.Length {
	return unit.Length(1-c) * (h0 - g)
}

// SetFromHeight returns the set that a recovered height shows:
// (h0-h)/(h0-g). Above h0 it is negative, which is a reading to flag.
func SetFromHeight(h0, h, g unit.Length) float64 { return float64((h0 - h) / (h0 - g)) }
