package fit

import (
	"fmt"
	"math"
)

// Filter returns the state (level, and slope if there is one) at every point of
// a series given the measurements up to and including that point, with the
// coefficients beta and the variances taken as known. Where the measurements do
// not determine the state yet, means are NaN and variances infinite.
func (m Trend) Filter(s Series, beta []float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	states := make([]Normal, len(y))
	b := m.nothing()
	for i := range y {
		b.move(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.see(m, y[i])
		states[i] = b.state()
	}
	return states, nil
}

// Smooth returns the state at every point of a series, missing ones too, given
// all measurements before and after it; see Filter.
//
// A trend with diffuse start looks the same in reverse, but for the sign of the
// slope. So what comes later is filtered backwards, and the two halves are put
// together: the two-filter form, which needs no special case at the start.
func (m Trend) Smooth(s Series, beta []float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	later := make([]belief, len(y))
	b := m.nothing()
	for i := len(y) - 1; i >= 0; i-- {
		b.move(m, s.Time[min(i+1, len(y)-1)]-s.Time[i])
		later[i] = b.reversed()
		b.see(m, y[i])
	}
	states := make([]Normal, len(y))
	b = m.nothing()
	for i := range y {
		b.move(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.see(m, y[i])
		states[i] = m.join(b, later[i])
	}
	return states, nil
}

// Forecast returns the state at times after the last point, given the whole
// series; see Filter. A measurement there has the mean level + x·β and the
// variance of the level + Noise.
func (m Trend) Forecast(s Series, beta []float64, at ...float64) ([]Normal, error) {
	y, err := m.adjusted(s, beta)
	if err != nil {
		return nil, err
	}
	b := m.nothing()
	for i := range y {
		b.move(m, s.Time[i]-s.Time[max(i-1, 0)])
		b.see(m, y[i])
	}
	last := s.Time[len(y)-1]
	states := make([]Normal, len(at))
	for i, t := range at {
		if !(t >= last) {
			return nil, fmt.Errorf("a forecast for %g lies before the last point, %g", t, last)
		}
		f := b.clone()
		f.move(m, t-last)
		states[i] = f.state()
	}
	return states, nil
}

// adjusted returns y − x·β after checking that everything fits.
func (m Trend) adjusted(s Series, beta []float64) ([]float64, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	if len(beta) != len(s.X) {
		return nil, fmt.Errorf("%d coefficients do not fit %d regressors", len(beta), len(s.X))
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

// belief is what measurements on one side of a point tell of the state there.
// Before they determine it, there is either nothing, or a level some time ago.
type belief struct {
	g     Normal
	known int     // components determined
	age   float64 // time since the level was met, while the slope is unknown
	back  bool    // that level lies in the other direction of time
}

func (m Trend) nothing() belief { return belief{g: NewNormal(m.diffuse())} }

func (b *belief) whole() bool { return b.known == len(b.g.Mean) }

func (b *belief) clone() belief {
	c := *b
	c.g = b.g.Clone()
	return c
}

// reversed is a copy of b as seen in the other direction of time.
func (b *belief) reversed() belief {
	c := b.clone()
	c.back = !b.back
	if len(c.g.Mean) == 2 {
		c.g.Mean[1] = -c.g.Mean[1]
		c.g.Cov[1], c.g.Cov[2] = -c.g.Cov[1], -c.g.Cov[2]
	}
	return c
}

// move lets the time d pass.
func (b *belief) move(m Trend, d float64) {
	if !b.whole() {
		b.age += d
		return
	}
	q11, q12, q22 := m.walk(d)
	b.g.Mix(0, []float64{1, d})
	b.g.Spread(0, q11)
	if m.Sloped {
		b.g.Cov[1] += q12
		b.g.Cov[2] += q12
		b.g.Spread(1, q22)
	}
}

// see takes in a measurement, unless it is missing.
func (b *belief) see(m Trend, y float64) {
	switch {
	case math.IsNaN(y):
	case b.known == 0:
		b.g.Forget(0, y, m.Noise)
		b.known, b.age = 1, 0
	case b.whole() || b.age == 0:
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

// state returns a copy of the state, or one that says that it is unknown.
func (b *belief) state() Normal {
	g := b.g.Clone()
	if !b.whole() {
		for i := range g.Mean {
			g.Forget(i, math.NaN(), math.Inf(1))
		}
	}
	return g
}

// join puts two independent beliefs about the same state together.
func (m Trend) join(a, b belief) Normal {
	if !a.whole() {
		a, b = b, a
	}
	if !a.whole() || b.known == 0 {
		return a.state()
	}
	g := a.g.Clone()
	if !b.whole() {
		h := []float64{1, -b.age}
		if b.back {
			h[1] = b.age
		}
		q11, _, _ := m.walk(b.age)
		g.Observe(h, b.g.Mean[0], b.g.Cov[0]+q11)
		return g
	}
	// Both are whole: b is a measurement of level, then of slope given level.
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
