package model

import (
	"math"

	"arcdrift/drift/fit"
)

// airSpread: machines of one kind differ in the air's effects about a third as
// much as is not known of the kind itself. A guess, soon overruled.
const airSpread = 1.0 / 3

// effects re-estimates what differs between machines and between pairs.
func (p *Params) effects(prior *Params, histories []History) {
	e := effects{offset: map[string]*units{}}
	for _, h := range histories {
		e.fold(p, h)
	}
	p.Pairs = len(e.slope.b)
	pooled := fit.PoolJoint(e.air, prior.airPrior(), airSpread, 3)
	for i := range airTerms {
		p.Air[i] = pooled.Mean[i]
		copy(p.AirCov[i][:], pooled.Cov[i*airTerms:])
	}
	p.Slope, p.SlopeSD = e.slope.pool(prior.Slope, prior.SlopeSD)
	p.Level, p.LevelSD = e.level.pool(prior.Level, prior.LevelSD)
	const weight = 200 // attempts' worth of prior
	p.Spoilt = min(max((e.spoilt+weight*prior.Spoilt)/(e.attempts+weight), 0.002), 0.3)
	p.Attempts = int(e.attempts)
	e.cleans(p, prior)
	p.pooledOffsets(&e)
}

// effects gathers estimates of single machines and pairs, free of the prior
// they were made with.
type effects struct {
	air          []fit.Evidence
	slope, level units
	spoilt       float64
	attempts     float64
	drop         []float64 // of the level at a clean
	offset       map[string]*units
}

// units are estimates with their variances.
type units struct{ b, v []float64 }

// add adds the estimate behind a posterior mean and standard deviation that
// came of a normal prior, unless the data said next to nothing, and says whether.
func (u *units) add(mean, sd, priorMean, priorSD float64) bool {
	precision := 1/sq(sd) - 1/sq(priorSD)
	if !(precision > 0.02/sq(priorSD)) {
		return false
	}
	u.b = append(u.b, (mean/sq(sd)-priorMean/sq(priorSD))/precision)
	u.v = append(u.v, 1/precision)
	return true
}

// pool returns the population behind the units, with what was believed of its
// mean and spread as a weak prior.
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
	// settled is the attempts after which the level of a new pair is known well
	// enough to say where it began.
	settled = 5
	// telling is the numbers that a pair or machine must have told to be asked.
	telling = 4
)

// fold runs one machine and takes what it says at the end of each pair.
func (e *effects) fold(p *Params, h History) {
	m := NewMachine(h.Machine, p)
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
		if said, ok := fit.RemovePrior(m.filter.air(), p.airPrior()); ok {
			e.air = append(e.air, said)
		}
	}
	e.offsets(m, p)
	e.spoilt += m.spoiltAll
	e.attempts += float64(m.attempts)
}

// began takes where the level of a pair began: the level now less what wear has
// added, which the random walk since has blurred.
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

// pairEnds takes the slope of a pair that told enough of it.
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

// cleans learns what a clean does, once a few have been seen.
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
