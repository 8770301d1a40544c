package model

import (
	"math"
	"math/rand/v2"
)

// Draw is one draw from the distribution of a machine's state. Level (required power at
// reference air, in the program in use) and Setting are in log percent, Slope in percent
// per 1000 arcs of the wear clock, Air in log percent a unit of the [Regressors],
// ScatterScale a factor.
type Draw struct {
	Level, Slope, Setting float64
	// Offset is the part of Level that is the program's.
	Offset       float64
	Air          [airTerms]float64
	ScatterScale float64
}

// Sampler draws states of a machine at one moment.
type Sampler struct {
	until [scatterScales]float64 // cumulative weights
	mean  [scatterScales][states]float64
	root  [scatterScales][states][states]float64
}

// Sampler returns a sampler of the machine's present state. It keeps nothing of the
// machine.
func (m *Machine) Sampler() *Sampler {
	s := &Sampler{}
	sum := 0.0
	for k := range m.filter.state {
		g := &m.filter.state[k]
		sum += m.filter.weight[k]
		s.until[k] = sum
		copy(s.mean[k][:], g.Mean)
		choleskyRoot(g.Cov, &s.root[k])
	}
	return s
}

// Draw draws one state from the joint distribution.
func (s *Sampler) Draw(rng *rand.Rand) Draw {
	at := rng.Float64() * s.until[scatterScales-1]
	k := 0
	for k < scatterScales-1 && s.until[k] < at {
		k++
	}
	var z, x [states]float64
	for i := range z {
		z[i] = rng.NormFloat64()
	}
	for i := range x {
		x[i] = s.mean[k][i]
		for j := 0; j <= i; j++ {
			x[i] += s.root[k][i][j] * z[j]
		}
	}
	return drawOf(&x, k, rng)
}

// drawOf makes a draw of a state under the k-th scatter scale. Between two scales of the
// grid any is as likely.
func drawOf(x *[states]float64, k int, rng *rand.Rand) Draw {
	spread := scaleStep * (rng.Float64() - 0.5)
	d := Draw{Level: x[level] + x[offset], Offset: x[offset], Slope: x[slope], Setting: x[setting], ScatterScale: ScatterScaleAt(k) * math.Exp(spread)}
	copy(d.Air[:], x[airAt:])
	return d
}

// Course draws one possible curve of the scatter: it returns a copy of p whose
// ScatterArcs (in arcs) and ScatterExponent are drawn from a log normal distribution
// about their values, with the covariance CurveCov. p stays as it is. Two curves with
// the same ScatterAt now differ in how the scatter grows.
func (p *Params) Course(rng *rand.Rand) Params {
	a, b := rng.NormFloat64(), rng.NormFloat64()
	root := math.Sqrt(max(p.CurveCov[0][0], 0))
	q := *p
	q.ScatterArcs *= math.Exp(root * a)
	across := 0.0
	if root > 0 {
		across = p.CurveCov[0][1] / root
	}
	q.ScatterExponent *= math.Exp(across*a + math.Sqrt(max(p.CurveCov[1][1]-sq(across), 0))*b)
	return q
}

// choleskyRoot writes the lower triangular root of a covariance (states×states, row by
// row); a component without variance of its own gets a column of zeros.
func choleskyRoot(cov []float64, root *[states][states]float64) {
	for i := range states {
		for j := 0; j <= i; j++ {
			sum := cov[i*states+j]
			for k := range j {
				sum -= root[i][k] * root[j][k]
			}
			switch {
			case i == j:
				root[i][i] = math.Sqrt(max(sum, 0))
			case root[j][j] > 1e-9:
				root[i][j] = sum / root[j][j]
			}
		}
	}
}

// Future is the pace, the air and the programs of the sessions that a forecast simulates.
type Future struct {
	// Steps are the arcs between sessions and Airs the air at them, equally many and in
	// order of time; a forecast starts anywhere and repeats them.
	Steps []float64
	Airs  [][airTerms]float64
	// Programs are the programs at them, by their place in [Machine.Modes].
	Programs []int
	// PerDay is arcs a day, 0 when unknown.
	PerDay float64
}

// sessionArcs are the arcs between sessions of a machine that did not report them: a
// day's work. A guess.
const sessionArcs = 40.0

// leastStep limits the number of sessions in a forecast for a machine that reports no
// counter or calibrates all day.
const leastStep = 5.0

// Future returns that of the machine's last sessions, 32 at most and one at least.
func (m *Machine) Future() Future {
	f := Future{PerDay: m.recent.perDay()}
	n := min(m.recent.n, recentLimit)
	sum, known := 0.0, 0.0
	for i := range n {
		if s := float64(m.recent.step[i]); s > 0 {
			sum += s
			known++
		}
	}
	usual := sessionArcs
	if known > 0 {
		usual = sum / known
	}
	for i := range n {
		at := (m.recent.n - n + i) % recentLimit
		step := float64(m.recent.step[at])
		if step <= 0 {
			step = usual
		}
		step = max(step, leastStep)
		var air [airTerms]float64
		for j := range air {
			air[j] = float64(m.recent.air[at][j])
		}
		program := int(m.recent.program[at])
		if program >= manyPrograms {
			program = m.place(m.program)
		}
		f.Steps, f.Airs, f.Programs = append(f.Steps, step), append(f.Airs, air), append(f.Programs, program)
	}
	if n == 0 {
		f.Steps, f.Airs, f.Programs = []float64{usual}, [][airTerms]float64{m.air}, []int{m.place(m.program)}
	}
	return f
}
