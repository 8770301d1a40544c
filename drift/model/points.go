package model

// mostPoints is how many measured attempts are remembered.
const mostPoints = 5

// points are the last measured attempts on a pair: arcs and required power as
// measured, in the air of the attempt, in log percent of the reference program.
type points struct {
	arcs, need [mostPoints]float64
	n          int
}

func (p *points) add(arcs, need float64) {
	if p.n == mostPoints {
		copy(p.arcs[:], p.arcs[1:])
		copy(p.need[:], p.need[1:])
		p.n--
	}
	p.arcs[p.n], p.need[p.n] = arcs, need
	p.n++
}

// Points returns the last measured attempts on the fitted pair, five at most,
// oldest first: arcs from now, and required power as measured, in log percent of the
// program in use.
func (m *Machine) Points() (arcs, need []float64) {
	for i := range m.points.n {
		arcs = append(arcs, m.points.arcs[i]-m.arcs)
		need = append(need, m.points.need[i]+m.filter.mean1(offset))
	}
	return arcs, need
}
