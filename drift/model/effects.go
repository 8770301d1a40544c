package model

import "arcdrift/drift/fit"

// airSpread: machines of one kind differ in the air's effects about a third as
// much as is not known of the kind itself. A guess, soon overruled.
const airSpread = 1.0 / 3

// effects re-estimates what differs between machines: the air's effects and
// spoilt ends.
func (p *Params) effects(prior *Params, histories []History) {
	var e effects
	for _, h := range histories {
		e.fold(p, h)
	}
	pooled := fit.PoolJoint(e.air, prior.airPrior(), airSpread, 3)
	for i := range airTerms {
		p.Air[i] = pooled.Mean[i]
		copy(p.AirCov[i][:], pooled.Cov[i*airTerms:])
	}
	const weight = 200 // attempts' worth of prior
	p.Spoilt = min(max((e.spoilt+weight*prior.Spoilt)/(e.attempts+weight), 0.002), 0.3)
	p.Attempts = int(e.attempts)
}

// effects gathers estimates of single machines, free of the prior they were made
// with.
type effects struct {
	air      []fit.Evidence
	spoilt   float64
	attempts float64
}

// telling is the numbers that a machine must have told to be asked.
const telling = 4

// fold runs one machine and takes what it says.
func (e *effects) fold(p *Params, h History) {
	m := NewMachine(h.Machine, p)
	for i := range h.Events {
		m.Take(&h.Events[i])
	}
	if m.numbers >= telling {
		if said, ok := fit.Free(m.filter.air(), p.airPrior()); ok {
			e.air = append(e.air, said)
		}
	}
	e.spoilt += m.spoiltAll
	e.attempts += float64(m.attempts)
}
