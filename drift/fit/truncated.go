package fit

import "math"

// ln2Pi is ln 2π.
const ln2Pi = 1.8378770664093454835606594728112

// TruncatedNormal returns, for X ~ N(mean, sd²), the log probability of
// lo < X < hi, and mean and variance of X given that. Either bound may be infinite. The
// result keeps its precision far in a tail and for narrow intervals. An empty interval,
// or one that X with sd = 0 misses, has log probability −Inf, the bound nearest to the
// mean as its mean, and variance 0.
func TruncatedNormal(mean, sd, lo, hi float64) (logMass, m, v float64) {
	if !(lo < hi) || !(sd > 0) {
		if lo < hi && lo <= mean && mean <= hi {
			return 0, mean, 0
		}
		return math.Inf(-1), min(max(mean, lo), hi), 0
	}
	a, b := (lo-mean)/sd, (hi-mean)/sd
	// Mirrored where needed, so that |a| ≤ b.
	if a+b < 0 {
		logMass, m, v = standardTruncated(-b, -a)
		return logMass, mean - sd*m, sd * sd * v
	}
	logMass, m, v = standardTruncated(a, b)
	return logMass, mean + sd*m, sd * sd * v
}

// standardTruncated is TruncatedNormal for N(0, 1) and a < b with |a| ≤ b.
func standardTruncated(a, b float64) (logMass, m, v float64) {
	if math.IsInf(a, -1) {
		return 0, 0, 1
	}
	if a > 4 || b-a < 1 {
		return tailTruncated(a, b)
	}
	// Wide and not far in a tail: the closed form loses two digits at most. Johnson,
	// Kotz & Balakrishnan, Continuous Univariate Distributions 1 (1994), 13.10.
	above := NormalCDF(-b)
	mass := NormalCDF(-a) - above
	if a < 0 {
		below := NormalCDF(a)
		mass, logMass = 1-below-above, math.Log1p(-below-above)
	} else {
		logMass = math.Log(mass)
	}
	pa, pb, bpb := NormalPDF(a), 0.0, 0.0
	if !math.IsInf(b, 1) {
		pb = NormalPDF(b)
		bpb = b * pb
	}
	m = (pa - pb) / mass
	v = 1 + (a*pa-bpb)/mass - m*m
	return logMass, m, v
}

// tailTruncated integrates the density itself, relative to its value at a:
// exp(−a·t − t²/2) for t in (0, b−a), in panels over which it falls by at most e⁶;
// there ten Gauss-Legendre points have an error near 1e-15. Far in a tail and in narrow
// intervals the closed form is a difference of nearly equal numbers.
func tailTruncated(a, b float64) (logMass, m, v float64) {
	const negligible = 45 // in the exponent
	width := b - a
	if a > 0 {
		width = min(width, 2*negligible/(a+math.Sqrt(a*a+2*negligible)))
	}
	panels := 1 + int((max(a, 0)*width+width*width/2)/6)
	half := width / float64(2*panels)
	nodes := [5]float64{0.14887433898163122, 0.4333953941292472, 0.6794095682990244, 0.8650633666889845, 0.9739065285171717}
	weights := [5]float64{0.295524224714753, 0.2692667193099965, 0.219086362515982, 0.14945134915058036, 0.06667134430868807}
	var s0, s1, s2 float64
	for p := range panels {
		centre := float64(2*p+1) * half
		for k, node := range nodes {
			for _, t := range [2]float64{centre - half*node, centre + half*node} {
				f := weights[k] * math.Exp(-t*(a+t/2))
				s0 += f
				s1 += f * t
				s2 += f * t * t
			}
		}
	}
	m, v = s1/s0, s2/s0
	return math.Log(half*s0) - (a*a+ln2Pi)/2, a + m, v - m*m
}
