package forecast

import (
	"math"
	"math/rand/v2"
	"slices"

	"arcdrift/drift/model"
)

// Power returns plan.Paths draws, in rising order, of the required power at reference
// air after so many more arcs on the pair, in percent, without a service.
func Power(m *model.Machine, moreArcs float64, plan Plan) []float64 {
	p := m.Params()
	rng := rand.New(rand.NewPCG(plan.Seed, 0x706f7765))
	sampler := m.Sampler()
	_, arcs, _, _ := m.Pair()
	wear := p.Wear(arcs+moreArcs) - p.Wear(arcs)
	// The random walk of the slope adds its integral: variance q·w²·t/3 over t arcs in
	// which the wear clock advances by w.
	walk := math.Sqrt((p.Walk + p.SlopeWalk*wear*wear/3) * moreArcs / 1000)
	out := make([]float64, plan.Paths)
	for i := range out {
		d := sampler.Draw(rng)
		x := d.Level + walk*rng.NormFloat64()
		for n := poisson(rng, p.DirtRate*moreArcs/1000); n > 0; n-- {
			x += p.DirtStep() * (1 + rng.NormFloat64())
		}
		out[i] = model.Pct(x) + d.Slope*wear
	}
	slices.Sort(out)
	return out
}

// poisson draws a count by multiplying uniforms (Knuth, The Art of Computer
// Programming 2, 3.4.1): the means here are small.
func poisson(rng *rand.Rand, mean float64) int {
	n, left := 0, math.Exp(-mean)
	for p := rng.Float64(); p > left; p *= rng.Float64() {
		n++
	}
	return n
}

// FanPoint is the forecast of required power, in percent, at so many arcs on the pair.
type FanPoint struct {
	Arcs, P10, P50, P90 float64
}

// Fan forecasts required power at twelve equal steps of arcs ahead, up to the median arcs
// to failure and at least 300.
func Fan(m *model.Machine, plan Plan) []FanPoint {
	const steps, least = 12, 300
	reach := min(max(Run(m, plan).Quantile(0.5), least), plan.Horizon)
	_, arcs, _, _ := m.Pair()
	out := make([]FanPoint, steps+1)
	for i := range out {
		more := reach * float64(i) / steps
		x := Power(m, more, plan)
		at := func(q float64) float64 { return x[int(q*float64(len(x)-1))] }
		out[i] = FanPoint{Arcs: arcs + more, P10: at(0.1), P50: at(0.5), P90: at(0.9)}
	}
	return out
}
