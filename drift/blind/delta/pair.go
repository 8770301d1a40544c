package delta

import (
	"math"

	"arcdrift/drift/blind"
)

// physics is how a machine turns power into heat at the fibre, and how its arcs
// wear a pair. Lengths in µm, heat relative to that which puts meltback on target.
type physics struct {
	// Melting: the heat below which glass does not soften, the curvature above it,
	// the half width of the hot zone, how much hotter the nearer end gets.
	soft, curve, width, lean float64

	// Heat lost, in ln: by the gap, by bluntness, by silica that saturates.
	gap0, radius0                  float64
	byGap, byBlunt, bySilica, half float64
	// Heat by the air and the machine's body: exponent of density, the part of
	// pressure the machine makes up for, its sensor's error in hPa, per g/m³, per K.
	byDensity, madeUp, sensorOff, byVapour, byBody float64

	// Wear of one tip by one arc at nominal power, and how steeply with power.
	recede, blunt, deposit, burnOff, steep float64
	// Chance of a lump of glass and of dirt by one arc; size of a lump.
	lumps, lump, dirty float64
	// The hot spot: pull back to the middle by one arc, walk by one arc, jump from
	// arc to arc, and how roughness raises the last two.
	pull, walk, jump, roughBlunt, roughSilica float64

	// Noise of the supply in ln, of the picture of each end as a share and in µm.
	supply, share, pixel float64
	// A new pair: heat in ln that fades with arcs.
	settle, settleArcs float64
	// Flicker of a dirty pair: chance at full dirt, mean heat lost in ln.
	flicker, flickerLoss float64
}

// tip is one electrode's end: µm of metal lost, radius, silica on it.
type tip struct{ lost, radius, silica float64 }

// pair is a fitted pair as it stands, with its own constants.
type pair struct {
	tips  [2]tip
	spot  float64 // where the hot spot stands along the fibre, µm
	dirt  float64 // 0..1
	arcs  int64
	fresh float64 // arcs that count for settling

	wear, glass, lopsided, restless, settle float64
}

// newPair draws a pair of these machines.
func newPair(p *physics, d dice) pair {
	w := pair{
		wear: d.spread(0.25), glass: d.spread(0.3), lopsided: d.between(-0.35, 0.35),
		restless: d.spread(0.2), settle: d.between(-0.4, 1.6),
	}
	for i := range w.tips {
		w.tips[i].radius = p.radius0 * d.spread(0.1)
		w.tips[i].lost = p.gap0 * 0.004 * d.NormFloat64()
	}
	w.spot = p.width * 0.05 * d.NormFloat64()
	if d.odds(0.03) {
		w.dirt = d.Float64()
	}
	return w
}

// burn ages the pair by n arcs at this power, relative to nominal.
func (w *pair) burn(p *physics, n int, power float64, d dice) {
	if n <= 0 {
		return
	}
	arcs := float64(n)
	energy := arcs * max(0.3, 1+p.steep*(power-1))
	root := math.Sqrt(arcs)
	for i := range w.tips {
		t := &w.tips[i]
		side := 1 + w.lopsided*float64(1-2*i)
		// A blunt tip runs cooler and loses less.
		lost := p.recede * w.wear * side * energy * p.radius0 / t.radius
		lost = max(0, lost*(1+0.8*d.NormFloat64()/root))
		t.lost += lost
		t.radius += p.blunt * lost
		t.silica += p.deposit*w.glass*side*energy - t.silica*min(1, p.burnOff*arcs)
	}
	rough := w.rough(p)
	w.spot += -p.pull*min(arcs, 1/p.pull)*w.spot + p.walk*w.restless*rough*root*d.NormFloat64()
	w.dirt *= max(0, 1-arcs/500)
	if d.odds(p.lumps * arcs) {
		i := d.IntN(2)
		w.tips[i].silica += p.lump * d.ExpFloat64()
		w.spot += p.width * 0.12 * d.NormFloat64()
	}
	if d.odds(p.dirty * arcs) {
		w.dirt = min(1, w.dirt+d.Float64())
	}
	w.arcs += int64(n)
	w.fresh += arcs
}

// rough is how uneven the tips have become; one for new ones.
func (w *pair) rough(p *physics) float64 {
	r := (w.tips[0].radius+w.tips[1].radius)/(2*p.radius0) - 1
	return 1 + p.roughBlunt*max(0, r) + p.roughSilica*(w.tips[0].silica+w.tips[1].silica)
}

// heat is what the pair does to the heat at the fibre, in ln.
func (w *pair) heat(p *physics) float64 {
	gap := (w.tips[0].lost + w.tips[1].lost) / p.gap0
	r := (w.tips[0].radius+w.tips[1].radius)/(2*p.radius0) - 1
	s := w.tips[0].silica + w.tips[1].silica
	return -p.byGap*math.Log1p(max(-0.5, gap)) - p.byBlunt*r/(1+0.3*max(0, r)) -
		p.bySilica*s/(s+p.half) + w.young(p)*p.settle
}

// young fades from one over the first arcs of a pair.
func (w *pair) young(p *physics) float64 {
	if w.fresh > 12*p.settleArcs {
		return 0
	}
	return w.settle * math.Exp(-w.fresh/p.settleArcs)
}

// jumps is the spread of the hot spot from arc to arc, in µm.
func (w *pair) jumps(p *physics) float64 {
	return p.jump * w.restless * w.rough(p) * (1 + math.Abs(w.young(p)))
}

// clean takes silica and dirt off, not the wear. A careless hand leaves a trace.
func (w *pair) clean(p *physics, d dice) {
	left := 1 - d.between(0.6, 0.98)
	for i := range w.tips {
		w.tips[i].silica *= left
	}
	w.dirt *= 0.1
	w.spot = 0.5*w.spot + p.width*0.05*d.NormFloat64()
	w.fresh = max(0, min(w.fresh, p.settleArcs))
	if d.odds(0.06) {
		w.dirt = min(1, w.dirt+d.Float64())
	}
}

// airHeat is what the air and the machine's own temperature do to the heat, in ln.
func (p *physics) airHeat(a blind.Air, body float64) float64 {
	made := 0.0
	if p.madeUp > 0 {
		made = p.byDensity * p.madeUp * math.Log((pressure(a)+p.sensorOff)/refPressure)
	}
	return p.byDensity*math.Log(density(a)) - made -
		p.byVapour*(vapour(a.TemperatureC, a.HumidityPct)-refVapour) + p.byBody*(body-refTemperature)
}

// refHeat is airHeat in reference air, which holds 11 g/m³ by definition.
func (p *physics) refHeat() float64 {
	return -p.byDensity * p.madeUp * math.Log((refPressure+p.sensorOff)/refPressure)
}
