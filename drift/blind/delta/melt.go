package delta

import "math"

// program is one fibre program of a machine: its aim in µm, and how far its nominal
// power is from right on an ideal machine, in ln.
type program struct {
	name           string
	target, within float64
	off            float64
}

// melt is meltback over target at a heat. Above the threshold it rises with the
// excess, slightly curved; below, the ends only round off.
func (p *physics) melt(heat float64) float64 {
	y := (heat - p.soft) / (1 - p.soft)
	if y < 0.05 {
		y = 0.05 * math.Exp((y-0.05)/0.05)
	}
	return y * (1 - p.curve + p.curve*y)
}

// exponent is d ln meltback / d ln power on target.
func (p *physics) exponent() float64 { return (1 + p.curve) / (1 - p.soft) }

// ends is the meltback over target of both ends for a heat in ln before the hot
// spot's place is taken into account.
func (p *physics) ends(ln, spot float64) (left, right float64) {
	u := spot / p.width
	h := math.Exp(ln - u*u/2)
	lean := math.Exp(p.lean * u)
	return p.melt(h * lean), p.melt(h / lean)
}

// expected is meltback over target, over the jumps of the hot spot, by Gauss-Hermite
// quadrature with 7 points (Abramowitz and Stegun 1964, table 25.10, scaled to the
// standard normal).
func (p *physics) expected(ln, spot, jump float64) float64 {
	nodes := [4]float64{0, 1.154405394739968, 2.366759410734541, 3.750439717725742}
	weights := [4]float64{0.457142857142857, 0.240123178605013, 0.030757123967586, 0.000548268855972218}
	var sum float64
	for i, z := range nodes {
		for _, side := range [2]float64{-1, 1} {
			l, r := p.ends(ln, spot+side*jump*z)
			w := weights[i]
			if i == 0 {
				w /= 2
			}
			sum += w * (l + r) / 2
		}
	}
	return sum
}

// required is the linear percent above nominal at which expected meltback is on
// target in reference air on a machine at 20 °C. The hot spot's jumps belong to what
// is expected, since they always cost heat; noise and flicker do not.
func required(p *physics, w *pair, g *program) float64 {
	base := w.heat(p) + p.refHeat() + g.off
	jump := w.jumps(p)
	lo, hi := -1.0, 1.0
	for range 48 {
		if mid := (lo + hi) / 2; p.expected(base+mid, w.spot, jump) < 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return 100 * math.Expm1((lo+hi)/2)
}

// shot is what the machine sees of one test arc.
type shot struct {
	left, right float64 // µm
	spot        float64 // µm
}

// mean is what the machine judges, before it rounds for show.
func (s shot) mean() float64 { return (s.left + s.right) / 2 }

// fire burns one test arc with well-prepared ends: ln is the heat of all but chance.
func fire(p *physics, w *pair, g *program, ln float64, d dice) shot {
	ln += p.supply * d.NormFloat64()
	spot := w.spot + w.jumps(p)*d.NormFloat64()
	if d.odds(p.flicker * w.dirt) {
		ln -= p.flickerLoss * d.ExpFloat64()
	}
	l, r := p.ends(ln, spot)
	l = g.target*l*(1+p.share*d.NormFloat64()) + p.pixel*d.NormFloat64()
	r = g.target*r*(1+p.share*d.NormFloat64()) + p.pixel*d.NormFloat64()
	return shot{left: max(0.6, l), right: max(0.6, r), spot: spot}
}

// outside is the chance that fire lands outside the tolerance. Hot spot and supply
// are summed over fine grids, the noise of the picture is a normal law.
func outside(p *physics, w *pair, g *program, ln float64) float64 {
	const half, span = 20, 4.5
	jump := w.jumps(p)
	flick := p.flicker * w.dirt
	var out, total float64
	for i := -half; i <= half; i++ {
		z := span * float64(i) / half
		wi := math.Exp(-z * z / 2)
		for j := -half; j <= half; j++ {
			y := span * float64(j) / half
			wt := wi * math.Exp(-y*y/2)
			at, spot := ln+p.supply*y, w.spot+jump*z
			o := p.miss(g, at, spot)
			if flick > 0 {
				o = (1-flick)*o + flick*p.missFlicker(g, at, spot)
			}
			out, total = out+wt*o, total+wt
		}
	}
	return out / total
}

// miss is the chance that the noise of the picture puts this arc outside.
func (p *physics) miss(g *program, ln, spot float64) float64 {
	l, r := p.ends(ln, spot)
	l, r = l*g.target, r*g.target
	sd := math.Sqrt(p.share*p.share*(l*l+r*r)+2*p.pixel*p.pixel) / 2
	off := (l+r)/2 - g.target
	return tail((g.within-off)/sd) + tail((g.within+off)/sd)
}

// missFlicker is miss with the exponential loss of a flicker, at the middles of
// twelve equally likely slices.
func (p *physics) missFlicker(g *program, ln, spot float64) float64 {
	const slices = 12
	var sum float64
	for k := range slices {
		u := (float64(k) + 0.5) / slices
		sum += p.miss(g, ln+p.flickerLoss*math.Log1p(-u), spot)
	}
	return sum / slices
}

// tail is the chance of a standard normal above z.
func tail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }
