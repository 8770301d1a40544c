package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Series is a series of n measurements. All slices have n entries. The units are the
// caller's; those of a [Trend] follow from them.
type Series struct {
	Time []float64   // does not fall; steps may differ
	Y    []float64   // NaN where a measurement is missing
	X    [][]float64 // regressors: k slices of n entries, k ≥ 0
}

// Trend is a level that moves as a random walk in continuous time, measured with noise:
//
//	y = level + x·β + e,  e ~ N(0, Noise)
//	d level = slope·dt + √Level·dW,  d slope = √Slope·dW'
//
// With Sloped false there is no slope: a random walk and noise. With Sloped
// true and Slope 0 the drift is unknown but constant. The state at the first
// measurement is unknown: exactly diffuse. With y in u and time in t, Noise is a
// variance in u², Level one in u²/t, Slope one in u²/t³.
//
// For steps of length one this is the local linear trend of Durbin & Koopman,
// Time Series Analysis by State Space Methods (2012), 3.2, with the integrated
// Wiener process of their 3.8 in place of the discrete steps: level variance
// Level − Slope/6 there, slope variance the same.
type Trend struct {
	Noise, Level, Slope float64
	Sloped              bool
}

// diffuse is the number of components of the state that are unknown at the start.
func (m Trend) diffuse() int {
	if m.Sloped {
		return 2
	}
	return 1
}

// walk returns what the covariance of the state gains in a step of length d: variance
// of the level, covariance of level and slope, variance of the slope.
func (m Trend) walk(d float64) (q11, q12, q22 float64) {
	q22 = m.Slope * d
	q12 = q22 * d / 2
	return m.Level*d + q22*d*d/3, q12, q22
}

func (m Trend) check() error {
	for _, v := range []float64{m.Noise, m.Level, m.Slope} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return fmt.Errorf("a variance of a trend must be a finite number of 0 or more, not %g", v)
		}
	}
	if m.Slope > 0 && !m.Sloped {
		return errors.New("a trend without slope cannot have a slope variance")
	}
	return nil
}

// points are the measured points of a series as the filter reads them: the step in
// time before each, and its row (x…, y).
type points struct {
	step  []float64
	rows  []float64
	width int // 1 + number of regressors
}

// check returns what is wrong with a series.
func (s Series) check() error {
	if len(s.Time) != len(s.Y) {
		return fmt.Errorf("the numbers of times and of values of a series must be equal, not %d and %d", len(s.Time), len(s.Y))
	}
	for j, x := range s.X {
		if len(x) != len(s.Y) {
			return fmt.Errorf("regressor %d has %d values where the series has %d", j+1, len(x), len(s.Y))
		}
	}
	for i, t := range s.Time {
		if math.IsNaN(t) || math.IsInf(t, 0) || i > 0 && t < s.Time[i-1] {
			return fmt.Errorf("time %d of the series, %g, must be a finite number, not before the one before it", i+1, t)
		}
		if math.IsInf(s.Y[i], 0) {
			return fmt.Errorf("value %d of the series is infinite", i+1)
		}
		for j, x := range s.X {
			if math.IsNaN(x[i]-x[i]) && !math.IsNaN(s.Y[i]) {
				return fmt.Errorf("regressor %d is not a number at point %d", j+1, i+1)
			}
		}
	}
	return nil
}

// measured leaves out the missing points. diffuse is the number of points that the
// unknown start uses up.
func (s Series) measured(diffuse int) (points, error) {
	if err := s.check(); err != nil {
		return points{}, err
	}
	p := points{width: 1 + len(s.X)}
	p.step = make([]float64, 0, len(s.Y))
	p.rows = make([]float64, 0, len(s.Y)*p.width)
	var last, span float64
	for i, y := range s.Y {
		if math.IsNaN(y) {
			continue
		}
		if len(p.step) == 0 {
			last = s.Time[i]
		}
		p.step = append(p.step, s.Time[i]-last)
		span += s.Time[i] - last
		last = s.Time[i]
		for _, x := range s.X {
			p.rows = append(p.rows, x[i])
		}
		p.rows = append(p.rows, y)
	}
	if need := diffuse + p.width; len(p.step) < need {
		return points{}, fmt.Errorf("the series has %d measured points: this trend needs at least %d", len(p.step), need)
	}
	if diffuse > 1 && span == 0 {
		return points{}, errors.New("all points have the same time: a slope needs two times")
	}
	return p, nil
}

// sweep is one pass of the filter over all columns of the points at once.
type sweep struct {
	level, slope []float64 // filtered state, one per column
	cross        []float64 // Σ v·v'/F over the innovations, lower triangle of width×width
	innov        []float64
	logF         float64 // Σ ln F, and 2·ln of the step that determined the slope
	used         int     // number of innovations
}

func newSweep(width int) *sweep {
	return &sweep{
		level: make([]float64, width), slope: make([]float64, width),
		innov: make([]float64, width), cross: make([]float64, width*width),
	}
}

// run filters p with the trend m. The diffuse start is exact: the first measurement
// gives the level, with the variance of the noise; the first measurement at a later
// time gives the slope. Each of them uses up one innovation.
func (w *sweep) run(m Trend, p *points) {
	width := p.width
	clear(w.cross)
	copy(w.level, p.rows[:width])
	clear(w.slope)
	p11, p12, p22 := m.Noise, 0.0, 0.0
	known := !m.Sloped // whether the slope is determined
	logF := 0.0
	product := 1.0 // of a few F, so that logarithms are few
	w.used = 0
	level, slope, innov := w.level[:width], w.slope[:width], w.innov[:width]
	for i := 1; i < len(p.step); i++ {
		row := p.rows[i*width : i*width+width]
		d := p.step[i]
		q11, q12, q22 := m.walk(d)
		if !known && d > 0 {
			for c, z := range row {
				slope[c] = (z - level[c]) / d
				level[c] = z
			}
			p22 = (p11+m.Noise+q11)/(d*d) + q22 - 2*q12/d
			p11, p12 = m.Noise, m.Noise/d
			logF += 2 * math.Log(d)
			known = true
			continue
		}
		p11 += d*(2*p12+d*p22) + q11
		p12 += d*p22 + q12
		p22 += q22
		f := p11 + m.Noise
		k1, k2 := p11/f, p12/f
		inverse := 1 / f
		for c, z := range row {
			a := level[c] + d*slope[c]
			v := z - a
			innov[c] = v
			level[c] = a + k1*v
			slope[c] += k2 * v
			v *= inverse
			cross := w.cross[c*width : c*width+c+1]
			for e := range cross {
				cross[e] += v * innov[e]
			}
		}
		p22 -= k2 * p12
		p12 -= k1 * p12
		p11 = m.Noise * k1
		product *= f
		if w.used++; w.used%8 == 0 || product > 1e100 || product < 1e-100 {
			logF += math.Log(product)
			product = 1
		}
	}
	w.logF = logF + math.Log(product)
}

// regress returns the least-squares β (k), its covariance up to the scale, and the
// weighted residual sum of squares.
func (w *sweep) regress(width int) (beta []float64, cov *mat.SymDense, left float64, err error) {
	k := width - 1
	left = w.cross[k*width+k]
	if k == 0 {
		return nil, nil, left, nil
	}
	// Scaled so that all regressors have the same sum of squares: then the condition
	// number depends on their correlation only.
	unit := make([]float64, k)
	for i := range unit {
		unit[i] = 1 / math.Sqrt(w.cross[i*width+i])
	}
	xx := mat.NewSymDense(k, nil)
	xy := mat.NewVecDense(k, nil)
	for i := range k {
		for j := range i + 1 {
			xx.SetSym(i, j, w.cross[i*width+j]*unit[i]*unit[j])
		}
		xy.SetVec(i, w.cross[k*width+i]*unit[i])
	}
	var chol mat.Cholesky
	if ok := chol.Factorize(xx); !ok || !(chol.Cond() < 1e12) {
		return nil, nil, 0, errors.New("the regressors depend on each other or on the trend: leave one out")
	}
	b := mat.NewVecDense(k, nil)
	cov = mat.NewSymDense(k, nil)
	if err := errors.Join(chol.SolveVecTo(b, xy), chol.InverseTo(cov)); err != nil {
		return nil, nil, 0, fmt.Errorf("the regression on the trend could not be solved: %w", err)
	}
	left = max(left-mat.Dot(b, xy), 0)
	beta = b.RawVector().Data
	for i := range k {
		beta[i] *= unit[i]
		for j := range i + 1 {
			cov.SetSym(i, j, cov.At(i, j)*unit[i]*unit[j])
		}
	}
	return beta, cov, left, nil
}

// LogLik returns the log-likelihood of a series under the trend, and the β that
// maximises it (one entry a regressor). It counts n − d terms for n measured points and d diffuse
// components (1, or 2 with a slope): the density of the measurements given those
// that the diffuse start used up, as in Durbin & Koopman (2012), 7.2.2, without
// the constant −½·ln 2π that some programs add for each of those.
func (m Trend) LogLik(s Series) (logLik float64, beta []float64, err error) {
	if err := m.check(); err != nil {
		return 0, nil, err
	}
	p, err := s.measured(m.diffuse())
	if err != nil {
		return 0, nil, err
	}
	w := newSweep(p.width)
	w.run(m, &p)
	beta, _, left, err := w.regress(p.width)
	if err != nil {
		return 0, nil, err
	}
	logLik = -0.5 * (float64(w.used)*ln2Pi + w.logF + left)
	if math.IsNaN(logLik) {
		return 0, nil, errors.New("these variances cannot explain the differences between the measurements")
	}
	return logLik, beta, nil
}
