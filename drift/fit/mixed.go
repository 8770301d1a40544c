package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/optimize"
)

// Unit has the measurements on one unit: Y at X, equally many. X may be nil where there
// is no slope.
type Unit struct {
	X, Y []float64
}

// Mixed is a linear mixed model: units with an intercept each and, if sloped, a slope
// each. Covariances are 1×1, or 2×2 row by row.
type Mixed struct {
	Population Normal    // intercept (and slope) of the population, with the covariance of the estimate
	Between    []float64 // covariance of intercept (and slope) between units
	Noise      float64   // variance of a measurement about its unit's line
	Units      []Normal  // intercept (and slope) of each unit: population plus best linear unbiased prediction
	LogLik     float64   // restricted or not, as asked
}

// FitMixed fits y = (β₀ + b₀) + (β₁ + b₁)·x + e with b ~ N(0, Between) drawn once
// per unit and e ~ N(0, Noise); without a slope, y = β₀ + b₀ + e. With restricted
// true it maximises the restricted likelihood (REML), whose variances are not biased
// downwards by the estimation of β. Scale and β are profiled out (Bates et al. 2015, J.
// Stat. Softw. 67:1).
func FitMixed(units []Unit, sloped, restricted bool) (Mixed, error) {
	p, err := newMixedProblem(units, sloped, restricted)
	if err != nil {
		return Mixed{}, err
	}
	x := []float64{1}
	if sloped {
		x = []float64{1, 0, 1}
	}
	top := math.Inf(-1)
	// The simplex of Nelder and Mead can collapse: start again until nothing is gained.
	for range 5 {
		r, err := optimize.Minimize(optimize.Problem{Func: func(x []float64) float64 { return -p.at(x).logLik }}, x,
			&optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-11, Iterations: 20}},
			&optimize.NelderMead{SimplexSize: 0.3})
		if err != nil {
			return Mixed{}, errors.Join(errors.New("the search for the variances between units failed"), err)
		}
		x = r.X
		if -r.F-top < 1e-9 {
			break
		}
		top = -r.F
	}
	s := p.at(x)
	if math.IsInf(s.logLik, 0) || math.IsNaN(s.logLik) {
		return Mixed{}, errors.New("the measurements lie exactly on lines: they have no noise to estimate")
	}
	return p.result(s), nil
}

// sym2 is the symmetric matrix (a b; b c).
type sym2 struct{ a, b, c float64 }

func (m sym2) det() float64 { return m.a*m.c - m.b*m.b }

func (m sym2) inverse() sym2 {
	d := m.det()
	return sym2{m.c / d, -m.b / d, m.a / d}
}

func (m sym2) times(x [2]float64) [2]float64 {
	return [2]float64{m.a*x[0] + m.b*x[1], m.b*x[0] + m.c*x[1]}
}

// about returns r·m·r', r given by rows.
func (m sym2) about(r [2][2]float64) sym2 {
	p, q := m.times(r[0]), m.times(r[1])
	return sym2{r[0][0]*p[0] + r[0][1]*p[1], r[1][0]*p[0] + r[1][1]*p[1], r[1][0]*q[0] + r[1][1]*q[1]}
}

// moments are what the likelihood needs of a unit: Z'Z, Z'y and y'y with Z = (1, x), x
// and y centred and x scaled.
type moments struct {
	zz sym2
	zy [2]float64
	yy float64
}

type mixedProblem struct {
	units              []moments
	n                  float64
	sloped, restricted bool
	x0, unit, y0       float64 // centre and scale of x, centre of y
}

func newMixedProblem(units []Unit, sloped, restricted bool) (*mixedProblem, error) {
	p := &mixedProblem{sloped: sloped, restricted: restricted, unit: 1}
	for i, u := range units {
		if len(u.Y) == 0 || sloped && len(u.X) != len(u.Y) {
			return nil, fmt.Errorf("unit %d must have one value or more and as many x, not %d and %d", i+1, len(u.Y), len(u.X))
		}
		for j, y := range u.Y {
			if math.IsNaN(y-y) || sloped && math.IsNaN(u.X[j]-u.X[j]) {
				return nil, fmt.Errorf("point %d of unit %d must be a finite number", j+1, i+1)
			}
			p.n++
			p.y0 += y
			if sloped {
				p.x0 += u.X[j]
			}
		}
	}
	if terms := p.terms(); len(units) < terms+1 || p.n <= float64(len(units)+terms) {
		return nil, fmt.Errorf("too few measurements to separate units from noise: %d units with %g points in all", len(units), p.n)
	}
	p.x0, p.y0 = p.x0/p.n, p.y0/p.n
	if sloped {
		var spread float64
		for _, u := range units {
			for _, x := range u.X {
				spread += (x - p.x0) * (x - p.x0) / p.n
			}
		}
		if spread == 0 {
			return nil, errors.New("all points have the same x: a slope needs two")
		}
		p.unit = math.Sqrt(spread)
	}
	for _, u := range units {
		var m moments
		for j, y := range u.Y {
			x := 0.0
			if sloped {
				x = (u.X[j] - p.x0) / p.unit
			}
			y -= p.y0
			m.zz.a, m.zz.b, m.zz.c = m.zz.a+1, m.zz.b+x, m.zz.c+x*x
			m.zy[0], m.zy[1] = m.zy[0]+y, m.zy[1]+x*y
			m.yy += y * y
		}
		p.units = append(p.units, m)
	}
	return p, nil
}

func (p *mixedProblem) terms() int {
	if p.sloped {
		return 2
	}
	return 1
}

// solution is everything at one value of the relative factor Λ.
type solution struct {
	factor [2][2]float64 // Λ: Between = σ²ΛΛ'
	beta   [2]float64
	cov    sym2 // of beta, up to σ²
	scale  float64
	logLik float64
}

// shrink returns Λ·M⁻¹·Λ', the covariance of a unit's b given its data, up to
// σ², and ln |M|, M = I + Λ'Z'ZΛ.
func shrink(factor [2][2]float64, zz sym2) (w sym2, logDet float64) {
	turned := [2][2]float64{{factor[0][0], factor[1][0]}, {factor[0][1], factor[1][1]}}
	m := zz.about(turned)
	m.a, m.c = m.a+1, m.c+1
	return m.inverse().about(factor), math.Log(m.det())
}

// at profiles scale and β out. x holds Λ: its one entry, or its lower triangle.
func (p *mixedProblem) at(x []float64) solution {
	var s solution
	s.factor[0][0] = x[0]
	if p.sloped {
		s.factor[1] = [2]float64{x[1], x[2]}
	}
	var xx sym2
	var xy [2]float64
	var yy, logDet float64
	for _, u := range p.units {
		w, l := shrink(s.factor, u.zz)
		logDet += l
		// X'V⁻¹X = Z'Z − Z'Z·w·Z'Z, and so on.
		wz := w.about([2][2]float64{{u.zz.a, u.zz.b}, {u.zz.b, u.zz.c}})
		xx.a, xx.b, xx.c = xx.a+u.zz.a-wz.a, xx.b+u.zz.b-wz.b, xx.c+u.zz.c-wz.c
		wy := w.times(u.zy)
		zwy := u.zz.times(wy)
		xy[0], xy[1] = xy[0]+u.zy[0]-zwy[0], xy[1]+u.zy[1]-zwy[1]
		yy += u.yy - u.zy[0]*wy[0] - u.zy[1]*wy[1]
	}
	if !p.sloped {
		xx.c = 1
	}
	s.cov = xx.inverse()
	s.beta = s.cov.times(xy)
	left := max(yy-s.beta[0]*xy[0]-s.beta[1]*xy[1], 0)
	n := p.n
	if p.restricted {
		n -= float64(p.terms())
		logDet += math.Log(xx.det())
		if p.sloped {
			logDet += 2 * math.Log(p.unit) // of X'X in the units of the caller
		}
	}
	s.scale = left / n
	s.logLik = -0.5 * (n*(ln2Pi+1+math.Log(s.scale)) + logDet)
	return s
}

// result converts a solution to the units of the caller.
func (p *mixedProblem) result(s solution) Mixed {
	back := [2][2]float64{{1, -p.x0 / p.unit}, {0, 1 / p.unit}}
	out := func(beta [2]float64, cov sym2) Normal {
		g := NewNormal(p.terms())
		cov = cov.about(back)
		g.Mean[0] = p.y0 + beta[0] + back[0][1]*beta[1]
		g.Cov[0] = cov.a
		if p.sloped {
			g.Mean[1] = back[1][1] * beta[1]
			g.Cov[1], g.Cov[2], g.Cov[3] = cov.b, cov.b, cov.c
		}
		return g
	}
	times := func(m sym2) sym2 { return sym2{m.a * s.scale, m.b * s.scale, m.c * s.scale} }
	cov := times(s.cov)
	f := Mixed{Noise: s.scale, LogLik: s.logLik, Population: out(s.beta, cov)}
	f.Between = out(s.beta, times(sym2{1, 0, 1}.about(s.factor))).Cov
	for _, u := range p.units {
		w, _ := shrink(s.factor, u.zz)
		fit := u.zz.times(s.beta)
		b := w.times([2]float64{u.zy[0] - fit[0], u.zy[1] - fit[1]})
		// The part of β in β + b: I − w·Z'Z.
		z0, z1 := w.times([2]float64{u.zz.a, u.zz.b}), w.times([2]float64{u.zz.b, u.zz.c})
		of := cov.about([2][2]float64{{1 - z0[0], -z1[0]}, {-z0[1], 1 - z1[1]}})
		own := times(w)
		f.Units = append(f.Units, out([2]float64{s.beta[0] + b[0], s.beta[1] + b[1]},
			sym2{of.a + own.a, of.b + own.b, of.c + own.c}))
	}
	return f
}
