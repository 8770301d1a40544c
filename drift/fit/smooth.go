package fit

import (
	"fmt"
	"math"
)

// Filter returns, for each of the n points of a series, the state given the
// measurements up to and including that point: the level, and the slope if there is
// one. The k coefficients beta and the variances are taken as known. Where the
// measurements do not determine the state yet, means are NaN and variances +Inf.
func (m Trend) Filter(s Series, beta []float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	states := make([]Normal, len(y))
	b := m.unknown()
	for i := range y {
		b.advance(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.update(m, y[i])
		states[i] = b.state()
	}
	return states, nil
}

// Smooth returns, for each of the n points of a series, missing ones too, the state
// given all measurements; see [Trend.Filter].
//
// A trend with a diffuse start is the same process backwards in time, but for the sign
// of the slope. So the later measurements are filtered backwards, and the two halves
// are combined: the two-filter form (Fraser & Potter 1969, IEEE Trans. Autom. Control
// 14:387; from memory), which needs no special case at the start.
func (m Trend) Smooth(s Series, beta []float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	later := make([]oneSided, len(y))
	b := m.unknown()
	for i := len(y) - 1; i >= 0; i-- {
		b.advance(m, s.Time[min(i+1, len(y)-1)]-s.Time[i])
		later[i] = b.reversed()
		b.update(m, y[i])
	}
	states := make([]Normal, len(y))
	b = m.unknown()
	for i := range y {
		b.advance(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.update(m, y[i])
		states[i] = m.combine(b, later[i])
	}
	return states, nil
}

// Forecast returns the state at each of the times at, none before the last point,
// given the whole series; see [Trend.Filter]. A measurement there has the mean
// level + x·β and the variance of the level + Noise.
func (m Trend) Forecast(s Series, beta []float64, at ...float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	b := m.unknown()
	for i := range y {
		b.advance(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.update(m, y[i])
	}
	last := s.Time[len(y)-1]
	states := make([]Normal, len(at))
	for i, t := range at {
		if !(t >= last) {
			return nil, fmt.Errorf("a forecast for time %g must not lie before the last point, at %g", t, last)
		}
		f := b.clone()
		f.advance(m, t-last)
		states[i] = f.state()
	}
	return states, nil
}

// adjusted checks the arguments and returns y − x·β.
func (m Trend) adjusted(s Series, beta []float64) ([]float64, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	if len(beta) != len(s.X) {
		return nil, fmt.Errorf("the numbers of coefficients and of regressors must be equal, not %d and %d", len(beta), len(s.X))
	}
	if _, err := s.measured(m.diffuse()); err != nil {
		return nil, err
	}
	y := make([]float64, len(s.Y))
	copy(y, s.Y)
	for j, x := range s.X {
		for i := range y {
			y[i] -= beta[j] * x[i]
		}
	}
	return y, nil
}

// oneSided is the state at a point given the measurements on one side of it. Before
// they determine it, either nothing is known or the level at an earlier time.
type oneSided struct {
	g     Normal
	known int     // number of components that are determined
	age   float64 // time since the level was measured, while the slope is unknown
	back  bool    // that measurement lies in the other direction of time
}

func (m Trend) unknown() oneSided { return oneSided{g: NewNormal(m.diffuse())} }

func (b *oneSided) determined() bool { return b.known == len(b.g.Mean) }

func (b *oneSided) clone() oneSided {
	c := *b
	c.g = b.g.Clone()
	return c
}

// reversed returns a copy of b for the other direction of time.
func (b *oneSided) reversed() oneSided {
	c := b.clone()
	c.back = !b.back
	if len(c.g.Mean) == 2 {
		c.g.Mean[1] = -c.g.Mean[1]
		c.g.Cov[1], c.g.Cov[2] = -c.g.Cov[1], -c.g.Cov[2]
	}
	return c
}

// advance moves the state on by the time d.
func (b *oneSided) advance(m Trend, d float64) {
	if !b.determined() {
		b.age += d
		return
	}
	q11, q12, q22 := m.walk(d)
	b.g.SetLinear(0, []float64{1, d})
	b.g.AddVariance(0, q11)
	if m.Sloped {
		b.g.Cov[1] += q12
		b.g.Cov[2] += q12
		b.g.AddVariance(1, q22)
	}
}

// update updates the state with a measurement, unless it is missing.
func (b *oneSided) update(m Trend, y float64) {
	switch {
	case math.IsNaN(y):
	case b.known == 0:
		b.g.Reset(0, y, m.Noise)
		b.known, b.age = 1, 0
	case b.determined() || b.age == 0:
		b.g.Observe([]float64{1}, y, m.Noise)
	default:
		d := b.age
		q11, q12, q22 := m.walk(d)
		g, r := b.g, m.Noise
		g.Mean[0], g.Mean[1] = y, (y-g.Mean[0])/d
		g.Cov[3] = (g.Cov[0]+r+q11)/(d*d) + q22 - 2*q12/d
		g.Cov[0], g.Cov[1], g.Cov[2] = r, r/d, r/d
		b.known = 2
	}
}

// state returns a copy of the state; where it is not determined, means are NaN and
// variances +Inf.
func (b *oneSided) state() Normal {
	g := b.g.Clone()
	if !b.determined() {
		for i := range g.Mean {
			g.Reset(i, math.NaN(), math.Inf(1))
		}
	}
	return g
}

// combine returns the state given two independent estimates of it.
func (m Trend) combine(a, b oneSided) Normal {
	if !a.determined() {
		a, b = b, a
	}
	if !a.determined() || b.known == 0 {
		return a.state()
	}
	g := a.g.Clone()
	if !b.determined() {
		h := []float64{1, -b.age}
		if b.back {
			h[1] = b.age
		}
		q11, _, _ := m.walk(b.age)
		g.Observe(h, b.g.Mean[0], b.g.Cov[0]+q11)
		return g
	}
	// Both are determined: b is a measurement of the level, then of the slope given the
	// level.
	g.Observe([]float64{1}, b.g.Mean[0], b.g.Cov[0])
	if m.Sloped {
		on := 0.0
		if b.g.Cov[0] > 0 {
			on = b.g.Cov[1] / b.g.Cov[0]
		}
		g.Observe([]float64{-on, 1}, b.g.Mean[1]-on*b.g.Mean[0], max(b.g.Cov[3]-on*b.g.Cov[1], 0))
	}
	return g
}
