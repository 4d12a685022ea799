package wear

import "math"

// Hazard returns the cumulative hazard H = -ln S of a lognormal life at x times
// its median, with log standard deviation sigma > 0:
//
//	H = -ln Phi(-ln x / sigma)
//
// It is 0 for x <= 0 and stays accurate in both tails: for small x by log1p of
// the failure probability, for large x by the asymptotic series of erfc, where
// 1 - F would underflow.
func Hazard(x, sigma float64) float64 {
	if x <= 0 {
		return 0
	}
	z := math.Log(x) / sigma
	switch {
	case z < 0: // F is small: S = 1 - F
		return -math.Log1p(-0.5 * math.Erfc(-z/math.Sqrt2))
	case z < 25:
		return -math.Log(0.5 * math.Erfc(z/math.Sqrt2))
	default: // Mills ratio, three terms; relative error below 1e-5 at z = 25
		q := 1 / (z * z)
		return z*z/2 + math.Log(z*math.Sqrt(2*math.Pi)) - math.Log1p(-q+3*q*q-15*q*q*q)
	}
}

// RiskWithin returns the probability, in [0, 1], that a part whose cumulative
// hazard is now h0 and later h1 >= h0 fails in between, given that it is alive
// now: 1 - exp(h0 - h1). Working on the difference keeps it accurate where
// 1 - F(now) would underflow.
func RiskWithin(h0, h1 float64) float64 { return -math.Expm1(h0 - h1) }

// HazardAt are the cumulative hazards at which 10, 50 and 90 % of such parts
// have failed: -ln(1-p).
var HazardAt = [3]float64{-math.Log1p(-0.1), -math.Log1p(-0.5), -math.Log1p(-0.9)}

// FirstReach returns the first whole day n in [lo, hi] with f(n) >= want, for f
// that never falls. It returns hi+1 when f(hi) < want. It brackets by secant
// steps guarded by bisection, so a smooth f takes few calls.
func FirstReach(lo, hi int, want float64, f func(day int) float64) int {
	flo, fhi := f(lo), f(hi)
	switch {
	case flo >= want:
		return lo
	case fhi < want:
		return hi + 1
	}
	for step := 0; hi-lo > 1; step++ {
		mid := lo + (hi-lo)/2
		if step%3 != 2 && fhi > flo { // two secant steps, then one halving
			g := lo + int(float64(hi-lo)*(want-flo)/(fhi-flo))
			mid = min(max(g, lo+1), hi-1)
		}
		if v := f(mid); v >= want {
			hi, fhi = mid, v
		} else {
			lo, flo = mid, v
		}
	}
	return hi
}

// Factor is what is believed about a part's rate relative to the rulebook's:
// ln(rate) ~ Normal(Mu, S²). The zero value is "exactly as the rules say".
type Factor struct {
	Mu float64 // mean of ln(rate)
	S  float64 // its standard deviation, >= 0
}

// Update returns the belief after an observation y of ln(observed/predicted
// rate) with standard error r > 0, in closed form (one-step Kalman filter):
//
//	K = S²/(S²+r²);  Mu += K (y-Mu);  S² *= 1-K
func (f Factor) Update(y, r float64) Factor {
	k := f.S * f.S / (f.S*f.S + r*r)
	return Factor{Mu: f.Mu + k*(y-f.Mu), S: f.S * math.Sqrt(1-k)}
}

// SetReading turns an observed set cobs against a predicted one, both in
// (0, 1), into the log rate ratio and its standard error for a reading error
// sd of the set:
//
//	y = (1/beta) ln[ln(1-cobs)/ln(1-cpred)],  r = sd / [(1-c)(-ln(1-c)) beta]
func SetReading(cobs, cpred, beta, sd float64) (y, r float64) {
	a, b := -math.Log1p(-cobs), -math.Log1p(-cpred)
	return math.Log(a/b) / beta, sd / ((1 - cobs) * a * beta)
}

// InspectionInterval returns how often to look for a fault that takes pf to grow
// from detectable to failed, when one look finds it with probability theta in
// (0, 1) and a chance of missing it of at most pacc in (0, 1) is accepted:
//
//	pf / n,  n = ln(pacc)/ln(1-theta), at least 2
//
// The half-interval rule is n = 2. Source: NAVAIR 00-25-403 as taught in
// reliability-centred maintenance slides.
func InspectionInterval(pf, theta, pacc float64) float64 {
	n := math.Log(pacc) / math.Log1p(-theta)
	return pf / math.Max(2, n)
}
