package model

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
)

// airSpread is the prior standard deviation of the effects of the air between machines of
// one kind, relative to that of the kind's mean. A guess, which data overrule soon.
const airSpread = 1.0 / 3

// effects estimates the parameters that differ between machines and between pairs.
func (p *Params) effects(prior *Params, histories []History) {
	all := make([]effects, len(histories))
	each(len(histories), func(i int) {
		all[i].offset = map[string]*units{}
		all[i].fold(p, histories[i])
	})
	e := effects{offset: map[string]*units{}}
	for i := range all { // in this order: sums are of floats
		e.add(&all[i])
	}
	p.Pairs = len(e.slope.b)
	pooled := fit.PoolJoint(e.airEvidence(), prior.airPrior(), airSpread, 3)
	for i := range airTerms {
		p.Air[i] = pooled.Mean[i]
		copy(p.AirCov[i][:], pooled.Cov[i*airTerms:])
	}
	p.Slope, p.SlopeSD = e.slope.pool(prior.Slope, prior.SlopeSD)
	p.Level, p.LevelSD = e.level.pool(prior.Level, prior.LevelSD)
	const weight = 200 // attempts' worth of prior
	p.BadEnd = min(max((e.badEnd+weight*prior.BadEnd)/(e.attempts+weight), 0.002), 0.3)
	p.Attempts = int(e.attempts)
	e.cleans(p, prior)
	p.pooledOffsets(&e)
}

// effects collects estimates of single machines and pairs, without the prior that they
// were made with.
type effects struct {
	air          []fit.Evidence
	partly       []fit.Evidence // of machines that do not report all of the air
	slope, level units
	badEnd       float64
	attempts     float64
	drop         []float64 // of the level at a clean
	offset       map[string]*units
}

// add adds those of another machine.
func (e *effects) add(one *effects) {
	e.air, e.partly = append(e.air, one.air...), append(e.partly, one.partly...)
	e.slope.append(&one.slope)
	e.level.append(&one.level)
	e.badEnd += one.badEnd
	e.attempts += one.attempts
	e.drop = append(e.drop, one.drop...)
	for name, u := range one.offset {
		if e.offset[name] == nil {
			e.offset[name] = &units{}
		}
		e.offset[name].append(u)
	}
}

// airEvidence returns that of the machines that report temperature and pressure, if there
// are a few. High places are cold: where a machine that moves between places reports the
// temperature alone, the effect of the height looks like a large one of the temperature,
// of the wrong sign.
func (e *effects) airEvidence() []fit.Evidence {
	const few = 3
	if len(e.air) >= few {
		return e.air
	}
	return slices.Concat(e.air, e.partly)
}

// units are estimates with their variances.
type units struct{ b, v []float64 }

func (u *units) append(more *units) {
	u.b, u.v = append(u.b, more.b...), append(u.v, more.v...)
}

// add adds the estimate that turned a normal prior into a posterior mean and standard
// deviation, unless it has almost no information, and says whether it did.
func (u *units) add(mean, sd, priorMean, priorSD float64) bool {
	precision := 1/sq(sd) - 1/sq(priorSD)
	if !(precision > 0.02/sq(priorSD)) {
		return false
	}
	u.b = append(u.b, (mean/sq(sd)-priorMean/sq(priorSD))/precision)
	u.v = append(u.v, 1/precision)
	return true
}

// pool returns mean and standard deviation of the population of the units, with the given
// mean and standard deviation as a weak prior.
func (u *units) pool(mean, sd float64) (float64, float64) {
	if len(u.b) == 0 {
		return mean, sd
	}
	pooled, err := fit.Pool(u.b, u.v, fit.Prior{Mean: mean, MeanVar: sq(sd), Tau: sd})
	if err != nil {
		return mean, sd
	}
	m, v := pooled.New()
	return m, math.Sqrt(v)
}

const (
	// settled is the number of attempts after which the level of a new pair is known well
	// enough.
	settled = 5
	// telling is how many numbers a pair or machine must have reported to be used.
	telling = 4
)

// fold updates one machine with its events and collects its estimates at the end of each
// pair.
func (e *effects) fold(p *Params, h History) {
	m := newSilent(h.Machine, p)
	onPair, before, numbers := 0, clean{}, 0
	for i := range h.Events {
		ev := &h.Events[i]
		if ev.Pair != m.pair {
			e.pairEnds(m, m.numbers-numbers)
			onPair, before, numbers = 0, clean{}, m.numbers
		}
		if ev.Kind == Cleaned && onPair > settled {
			before = clean{level: mean1(m.component(level)), at: onPair}
		}
		m.Update(ev)
		if ev.Kind != Attempt {
			continue
		}
		onPair++
		if onPair == settled && m.numbers > numbers && m.assumedArcs == 0 {
			e.began(m)
		}
		if before.at > 0 && onPair == before.at+settled {
			e.drop = append(e.drop, before.level-mean1(m.component(level)))
			before = clean{}
		}
	}
	e.pairEnds(m, m.numbers-numbers)
	if m.numbers >= telling {
		if known, ok := fit.RemovePrior(m.filter.air(), p.airPrior()); ok {
			if m.neverTold.Pressure || m.neverTold.Temperature {
				e.partly = append(e.partly, known)
			} else {
				e.air = append(e.air, known)
			}
		}
	}
	e.offsets(m, p)
	e.badEnd += m.badEndAll
	e.attempts += float64(m.attempts)
}

// began collects the level of a new pair: the present level less what wear has added. The
// random walk since adds to its variance.
func (e *effects) began(m *Machine) {
	p := m.params
	now, _ := m.component(level)
	row := [states]float64{level: 1, slope: -WearAt(now/2, p.Wear(m.arcs))}
	mean, v := m.filter.mean(row[:])
	blur := (p.Walk + 2*p.DirtRate*sq(p.DirtStep())) * m.arcs / 1000
	if e.level.add(mean, math.Sqrt(v), p.Level, math.Sqrt(sq(p.LevelSD)+blur)) {
		e.level.v[len(e.level.v)-1] += blur
	}
}

// clean is a machine just before a clean.
type clean struct {
	level float64
	at    int
}

func mean1(mean, _ float64) float64 { return mean }

// pairEnds collects the slope of a pair that reported enough numbers.
func (e *effects) pairEnds(m *Machine, numbers int) {
	if numbers < telling {
		return
	}
	p := m.params
	mean, sd := m.component(slope)
	blur := p.SlopeWalk * m.arcs / 1000
	if e.slope.add(mean, sd, p.Slope, math.Sqrt(sq(p.SlopeSD)+blur)) {
		e.slope.v[len(e.slope.v)-1] += blur
	}
}

// cleans estimates the effect of a clean on the level.
func (e *effects) cleans(p, prior *Params) {
	const weight = 4 // cleans' worth of prior
	n := float64(len(e.drop))
	sum, squares := weight*prior.CleanLevel, weight*sq(prior.CleanLevelSD)
	for _, d := range e.drop {
		sum += d
	}
	p.CleanLevel = sum / (n + weight)
	for _, d := range e.drop {
		squares += sq(d - p.CleanLevel)
	}
	p.CleanLevelSD = math.Sqrt(squares / (n + weight))
}
