// Package survival learns from lives, finished or not: Kaplan-Meier curves,
// Weibull and lognormal fits by maximum likelihood under right censoring, and the
// log-rank test between groups.
//
// It is pure arithmetic without vocabulary and imports nothing of ours. Command
// survival calls it, and so does the comparison of an account's own lifetimes.
package survival

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Life is one part's time in service, > 0, and whether it ended in failure. A
// part still in service is censored.
type Life struct {
	Time   float64
	Failed bool
}

// LeastFailures is how many failures a fit needs: with fewer the likelihood says
// next to nothing (our default).
const LeastFailures = 5

// Step is one step of a Kaplan-Meier curve.
type Step struct {
	Time     float64
	AtRisk   int
	Failures int
	Survival float64 // product-limit estimate after this time
	SE       float64 // Greenwood's standard error
}

// KaplanMeier returns the product-limit curve, a step per time with a failure.
// Lives censored at the time of a failure count as at risk then.
func KaplanMeier(lives []Life) []Step {
	l := sorted(lives)
	var out []Step
	s, green := 1.0, 0.0
	for i := 0; i < len(l); {
		risk, t, d := len(l)-i, l[i].Time, 0
		for ; i < len(l) && l[i].Time == t; i++ {
			if l[i].Failed {
				d++
			}
		}
		if d == 0 {
			continue
		}
		s *= 1 - float64(d)/float64(risk)
		green += float64(d) / (float64(risk) * float64(risk-d))
		se := s * math.Sqrt(green)
		if risk == d {
			se = 0
		}
		out = append(out, Step{t, risk, d, s, se})
	}
	return out
}

func sorted(lives []Life) []Life {
	l := slices.Clone(lives)
	slices.SortFunc(l, func(a, b Life) int { return cmp.Compare(a.Time, b.Time) })
	return l
}

// Failures counts the failures.
func Failures(lives []Life) (n int) {
	for _, l := range lives {
		if l.Failed {
			n++
		}
	}
	return n
}

// Estimate is a parameter with its 95 % interval (Wald, on the log scale for
// parameters that are positive).
type Estimate struct {
	Value, Low, High float64
}

const z95 = 1.959963984540054

func positive(v, seLog float64) Estimate {
	return Estimate{v, v * math.Exp(-z95*seLog), v * math.Exp(z95*seLog)}
}

// Weibull is a fitted Weibull life: S(t) = exp[-(t/Scale)^Shape].
type Weibull struct {
	Shape, Scale Estimate
	LogLik       float64
	B10          Estimate // Scale (-ln .9)^(1/Shape)
	Median       Estimate // Scale (ln 2)^(1/Shape)
}

// FitWeibull fits by maximum likelihood. ok is false under LeastFailures failures
// or when the likelihood has no maximum (all failures at one time).
func FitWeibull(lives []Life) (w Weibull, ok bool) {
	d := float64(Failures(lives))
	if d < LeastFailures || degenerate(lives) {
		return w, false
	}
	logs := make([]float64, len(lives)) // ln(t/max): powers stay in range
	top := 0.0
	for _, l := range lives {
		top = math.Max(top, l.Time)
	}
	var sumLog float64
	for i, l := range lives {
		logs[i] = math.Log(l.Time / top)
		if l.Failed {
			sumLog += logs[i]
		}
	}
	// g(k) = sum t^k ln t / sum t^k - 1/k - mean ln t of failures rises in k.
	g := func(k float64) (value, slope, s0, s1, s2 float64) {
		for _, x := range logs {
			p := math.Exp(k * x)
			s0, s1, s2 = s0+p, s1+p*x, s2+p*x*x
		}
		return s1/s0 - 1/k - sumLog/d, (s2*s0-s1*s1)/(s0*s0) + 1/(k*k), s0, s1, s2
	}
	k, low, high := 1.0, 0.0, math.Inf(1)
	for range 200 {
		v, slope, _, _, _ := g(k)
		if v > 0 {
			high = k
		} else {
			low = k
		}
		next := k - v/slope
		if !(next > low && next < high) {
			next = 2 * k
			if !math.IsInf(high, 1) {
				next = (low + high) / 2
			}
		}
		if math.Abs(next-k) < 1e-13*k {
			k = next
			break
		}
		k = next
	}
	_, _, s0, s1, s2 := g(k)
	scale := math.Pow(s0/d, 1/k)
	return weibullOf(k, scale, top, d, sumLog, s0, s1, s2), true
}

// weibullOf fills in likelihood and intervals from the observed information in
// (ln scale, ln shape).
func weibullOf(k, scale, top, d, sumLog, s0, s1, s2 float64) Weibull {
	le := math.Log(scale)
	c := math.Exp(-k * le) // sum (t/scale)^k = c s0 = d
	ll := d*math.Log(k) - d*k*le + (k-1)*sumLog - c*s0 - d*math.Log(top)
	// x = k (ln t - ln scale): H = sum exp(x), with d/dlnscale = -k, d/dlnk = x.
	m1 := c * (s1 - le*s0)              // sum e^x (ln t - le)
	m2 := c * (s2 - 2*le*s1 + le*le*s0) // sum e^x (ln t - le)^2
	iee := k * k * c * s0               // -d2/dle2
	ikk := -(k*(sumLog-d*le) - k*m1 - k*k*m2)
	iek := -(-k*d + k*c*s0 + k*k*m1)
	det := iee*ikk - iek*iek
	vEta, vK, cov := ikk/det, iee/det, -iek/det
	w := Weibull{Shape: positive(k, math.Sqrt(vK)), Scale: positive(scale*top, math.Sqrt(vEta)), LogLik: ll}
	quantile := func(p float64) Estimate {
		q := math.Log(-math.Log1p(-p))
		v := vEta + q*q/(k*k)*vK - 2*q/k*cov
		return positive(scale*top*math.Exp(q/k), math.Sqrt(math.Max(0, v)))
	}
	w.B10, w.Median = quantile(0.1), quantile(0.5)
	return w
}

func degenerate(lives []Life) bool {
	first := math.NaN()
	for _, l := range lives {
		if !(l.Time > 0) || math.IsInf(l.Time, 0) {
			return true
		}
		if l.Failed {
			if math.IsNaN(first) {
				first = l.Time
			} else if l.Time != first {
				return false
			}
		}
	}
	return true
}

// Lognormal is a fitted lognormal life: ln t ~ Normal(Mu, Sigma²).
type Lognormal struct {
	Mu, Sigma Estimate
	LogLik    float64
	B10       Estimate
}

// FitLognormal fits by maximum likelihood, as FitWeibull does.
func FitLognormal(lives []Life) (l Lognormal, ok bool) {
	if Failures(lives) < LeastFailures || degenerate(lives) {
		return l, false
	}
	x := make([]float64, len(lives))
	var mu, sq, sumLog float64
	for i, v := range lives {
		x[i] = math.Log(v.Time)
		mu += x[i] / float64(len(x))
		if v.Failed {
			sumLog += x[i]
		}
	}
	for _, v := range x {
		sq += (v - mu) * (v - mu) / float64(len(x))
	}
	s := math.Log(math.Max(1e-6, math.Sqrt(sq)))
	ll, grad, info := normalScore(x, lives, mu, s)
	for range 200 {
		det := info[0]*info[2] - info[1]*info[1]
		dm, ds := grad[0], grad[1]
		if det > 0 && info[0] > 0 {
			dm, ds = (info[2]*grad[0]-info[1]*grad[1])/det, (info[0]*grad[1]-info[1]*grad[0])/det
		}
		step := math.Min(1, 1/math.Max(1e-300, math.Abs(ds)))
		var nll float64
		var ng [2]float64
		var ni [3]float64
		for range 60 {
			if nll, ng, ni = normalScore(x, lives, mu+step*dm, s+step*ds); nll >= ll {
				break
			}
			step /= 2
		}
		done := math.Abs(step*dm) < 1e-12*(1+math.Abs(mu)) && math.Abs(step*ds) < 1e-12
		mu, s, ll, grad, info = mu+step*dm, s+step*ds, nll, ng, ni
		if done {
			break
		}
	}
	det := info[0]*info[2] - info[1]*info[1]
	vMu, vS, cov := info[2]/det, info[0]/det, -info[1]/det
	sigma := math.Exp(s)
	const z10 = -1.2815515655446004
	l = Lognormal{Mu: Estimate{mu, mu - z95*math.Sqrt(vMu), mu + z95*math.Sqrt(vMu)},
		Sigma: positive(sigma, math.Sqrt(vS)), LogLik: ll - sumLog}
	vB := vMu + z10*z10*sigma*sigma*vS + 2*z10*sigma*cov
	l.B10 = positive(math.Exp(mu+z10*sigma), math.Sqrt(math.Max(0, vB)))
	return l, true
}

// normalScore returns the log likelihood of ln t, its gradient in (mu, ln sigma)
// and the observed information.
func normalScore(x []float64, lives []Life, mu, s float64) (ll float64, grad [2]float64, info [3]float64) {
	sigma := math.Exp(s)
	for i, v := range x {
		z := (v - mu) / sigma
		if lives[i].Failed {
			ll += -s - 0.5*math.Log(2*math.Pi) - z*z/2
			grad[0], grad[1] = grad[0]+z/sigma, grad[1]+z*z-1
			info[0], info[1], info[2] = info[0]+1/(sigma*sigma), info[1]+2*z/sigma, info[2]+2*z*z
			continue
		}
		logS, lam := tail(z)
		dl := lam * (lam - z)
		ll += logS
		grad[0], grad[1] = grad[0]+lam/sigma, grad[1]+lam*z
		info[0], info[1], info[2] = info[0]+dl/(sigma*sigma), info[1]+(z*dl+lam)/sigma, info[2]+z*(z*dl+lam)
	}
	return ll, grad, info
}

// tail returns ln(1-Phi(z)) and the normal hazard phi(z)/(1-Phi(z)).
func tail(z float64) (logS, hazard float64) {
	if z > 30 { // Mills ratio
		h := z + 1/z - 2/(z*z*z)
		return -z*z/2 - 0.5*math.Log(2*math.Pi) - math.Log(h), h
	}
	q := 0.5 * math.Erfc(z/math.Sqrt2)
	return math.Log(q), math.Exp(-z*z/2) / (math.Sqrt(2*math.Pi) * q)
}

// LogRank compares the survival of groups: chi-squared with one degree of freedom
// less than the groups, and its upper tail probability. Groups with nobody
// at risk at any failure are left out; ok is false with fewer than two groups or no failure.
func LogRank(groups [][]Life) (chi2, p float64, ok bool) {
	first := math.Inf(1) // groups with nobody left at the first failure say nothing
	for _, g := range groups {
		for _, l := range g {
			if l.Failed {
				first = math.Min(first, l.Time)
			}
		}
	}
	groups = slices.DeleteFunc(slices.Clone(groups), func(g []Life) bool {
		return !slices.ContainsFunc(g, func(l Life) bool { return l.Time >= first })
	})
	k := len(groups)
	if k < 2 {
		return 0, 0, false
	}
	type mark struct {
		Life
		group int
	}
	var all []mark
	risk := make([]float64, k)
	for g, lives := range groups {
		risk[g] = float64(len(lives))
		for _, l := range lives {
			all = append(all, mark{l, g})
		}
	}
	slices.SortFunc(all, func(a, b mark) int { return cmp.Compare(a.Time, b.Time) })
	diff := make([]float64, k-1)
	v := make([][]float64, k-1)
	for i := range v {
		v[i] = make([]float64, k-1)
	}
	total := 0.0
	for i := 0; i < len(all); {
		n, d := float64(len(all)-i), 0.0
		left, dead := make([]float64, k), make([]float64, k)
		t := all[i].Time
		for ; i < len(all) && all[i].Time == t; i++ {
			left[all[i].group]++
			if all[i].Failed {
				d++
				dead[all[i].group]++
			}
		}
		if d > 0 {
			total += d
			f := 0.0
			if n > 1 {
				f = d * (n - d) / (n * n * (n - 1))
			}
			for a := range k - 1 {
				diff[a] += dead[a] - d*risk[a]/n
				for b := range k - 1 {
					c := -risk[a] * risk[b]
					if a == b {
						c += n * risk[a]
					}
					v[a][b] += f * c
				}
			}
		}
		for g := range risk {
			risk[g] -= left[g]
		}
	}
	x, solved := solve(v, diff)
	if total == 0 || !solved {
		return 0, 0, false
	}
	for i := range x {
		chi2 += x[i] * diff[i]
	}
	return chi2, mathext.GammaIncRegComp(float64(k-1)/2, chi2/2), true
}

// solve returns v^-1 d by elimination with pivoting; v is small and symmetric.
func solve(v [][]float64, d []float64) ([]float64, bool) {
	n := len(d)
	m := make([][]float64, n)
	for i := range m {
		m[i] = append(slices.Clone(v[i]), d[i])
	}
	for c := range n {
		best := c
		for r := c; r < n; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[best][c]) {
				best = r
			}
		}
		if math.Abs(m[best][c]) < 1e-12 {
			return nil, false
		}
		m[c], m[best] = m[best], m[c]
		for r := range n {
			if r == c {
				continue
			}
			f := m[r][c] / m[c][c]
			for j := c; j <= n; j++ {
				m[r][j] -= f * m[c][j]
			}
		}
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = m[i][n] / m[i][i]
	}
	return out, true
}
