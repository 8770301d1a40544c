package synth

import (
	"math"
	"time"
)

// Work is the truth of the splices of half a working day.
type Work struct {
	From, To time.Time
	Site     string
	Pair     int
	// Deviations has one value per splice, in the order they were made: the power
	// needed, with the scatter of that splice, minus the setting in force, in
	// log-percent. A splice is within tolerance if it lies from Low to High.
	Deviations []float32
	Low, High  float64
	// Chance is the mean of what somebody who knows the machine, but not chance,
	// expects of each splice to be outside.
	Chance float64
}

// Out is how many splices were made outside tolerance.
func (w *Work) Out() (n int) {
	for _, d := range w.Deviations {
		if float64(d) < w.Low || float64(d) > w.High {
			n++
		}
	}
	return n
}

// What half a day takes; the time of noon and evening ends it.
const halfDay = 4 * time.Hour

// worked keeps the splices made on the way from before to the present state. Wear and
// wander are taken as even on the way; dirt comes at a moment of its own. It draws from
// a stream of its own, so that the fleet's life does not depend on it.
func (l *log) worked(n *nature, before, s *state, v visit) {
	arcs := s.pair.arcs - before.pair.arcs
	if !l.splices || arcs <= 0 {
		return
	}
	m := n.model
	rng := streamOf(n.seed, uint64(n.index), spliceKey, uint64(before.day), uint64(v.phase))
	w := Work{From: v.time.Add(-halfDay), To: v.time, Site: n.world.Sites[before.site].Name, Pair: s.pairs, Deviations: make([]float32, arcs)}
	set := logPercent(before.setting)
	w.Low, w.High = -100*math.Log1p(n.tolerance/m.Target)/n.kappa, -100*math.Log1p(-n.tolerance/m.Target)/n.kappa
	soiled := 1.0
	if v.dirt {
		soiled = rng.uniform()
	}
	common := rng.normal()
	first, last := n.effect(n.air(before, w.From)), n.effect(n.air(before, w.To))
	for i := range w.Deviations {
		share := (float64(i) + 0.5) / float64(arcs)
		at := before.pair
		at.arcs += int64(share * float64(arcs))
		at.deposit += share * float64(arcs)
		at.wander += share * (s.pair.wander - before.pair.wander)
		if share >= soiled {
			at.dirtLevel, at.dirtScatter = s.pair.dirtLevel, s.pair.dirtScatter
		}
		off, sd := at.level(m)+first+share*(last-first)-set, at.scatter(m)
		w.Deviations[i] = float32(off + sd*m.Law.Noise.spin(&rng, common))
		w.Chance += (1 - m.Law.Noise.short(w.High, off, sd) + m.Law.Noise.short(w.Low, off, sd)) / float64(arcs)
	}
	l.truth.Work = append(l.truth.Work, w)
}
