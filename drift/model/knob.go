package model

import "math"

// knob is a value that climb turns, in its logarithm unless it is the mean of what
// differs between pairs: its prior's standard deviation and the step of the search,
// and where it has to stay.
type knob struct {
	of              func(*Params) *float64
	sd, step        float64
	lowest, highest float64
	mean            bool
}

// scatterKnobs are those of scatter and dirt, which outcomes tell of too.
func scatterKnobs() []knob {
	return []knob{
		{of: func(p *Params) *float64 { return &p.Scatter }, sd: 1.5, step: 0.1, lowest: 0.01, highest: 20},
		{of: func(p *Params) *float64 { return &p.ScatterArcs }, sd: 0.7, step: 0.25, lowest: 200, highest: 30000},
		{of: func(p *Params) *float64 { return &p.ScatterBend }, sd: 0.5, step: 0.25, lowest: 0.5, highest: 8},
		{of: func(p *Params) *float64 { return &p.DirtRate }, sd: 1.2, step: 0.7, lowest: 1e-3, highest: 3},
		{of: func(p *Params) *float64 { return &p.DirtLevel }, sd: 0.7, step: 0.4, lowest: 0.05, highest: 20},
		{of: func(p *Params) *float64 { return &p.MultipleSD }, sd: 0.5, step: 0.3, lowest: 0.05, highest: 1},
		{of: func(p *Params) *float64 { return &p.MultipleWalk }, sd: 1, step: 0.7, lowest: 1e-4, highest: 1},
		{of: func(p *Params) *float64 { return &p.CleanScatter }, sd: 0.4, step: 0.2, lowest: 0.02, highest: 0.95},
	}
}

// wearKnobs are those of level and wear, and κ. Outcomes alone fit any level and
// slope, and where hardly any attempt was off the target, any κ.
func (p *Params) wearKnobs(histories []History) []knob {
	all := []knob{
		{of: func(p *Params) *float64 { return &p.Walk }, sd: 1.5, step: 0.7, lowest: 1e-4, highest: 20},
		{of: func(p *Params) *float64 { return &p.SlopeWalk }, sd: 1, step: 0.7, lowest: 1e-4, highest: 20},
		{of: func(p *Params) *float64 { return &p.Bend }, sd: 0.25, step: 0.2, lowest: 0.4, highest: 4},
	}
	numbers, off := 0, 0
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Melt.Known() || ev.Correction.Or(0) != 0 {
				numbers++
			}
			if math.Abs(ev.Melt.Or(0)) >= farOff {
				off++
			}
		}
	}
	if numbers >= enough {
		all = append(all, p.means()...)
	}
	if off >= enough {
		all = append(all, knob{of: func(p *Params) *float64 { return &p.Kappa }, sd: 0.25, step: 0.08, lowest: 0.3, highest: 10})
	}
	return all
}

// means are the knobs of what differs between pairs: how a pair begins, how it
// wears, what a clean takes off it; each followed by its spread.
func (p *Params) means() []knob {
	return []knob{
		{of: func(p *Params) *float64 { return &p.Level }, sd: p.LevelSD, step: 0.3, lowest: -40, highest: 40, mean: true},
		{of: func(p *Params) *float64 { return &p.LevelSD }, sd: 0.5, step: 0.3, lowest: 0.05, highest: 20},
		{of: func(p *Params) *float64 { return &p.Slope }, sd: p.SlopeSD, step: 0.2, lowest: -40, highest: 40, mean: true},
		{of: func(p *Params) *float64 { return &p.SlopeSD }, sd: 0.5, step: 0.3, lowest: 0.03, highest: 20},
		{of: func(p *Params) *float64 { return &p.CleanLevel }, sd: p.CleanLevelSD, step: 0.4, lowest: -10, highest: 10, mean: true},
		{of: func(p *Params) *float64 { return &p.CleanLevelSD }, sd: 0.5, step: 0.3, lowest: 0.1, highest: 10},
	}
}

// at is where the knob stands.
func (k *knob) at(p *Params) float64 {
	if k.mean {
		return *k.of(p)
	}
	return math.Log(*k.of(p))
}

// put turns the knob to x, or as far that way as it goes.
func (k *knob) put(p *Params, x float64) {
	if !k.mean {
		x = math.Exp(x)
	}
	*k.of(p) = min(max(x, k.lowest), k.highest)
}

// doubt is what the prior, normal about what was believed, holds against x.
func (k *knob) doubt(prior *Params, x float64) float64 {
	return sq((x-k.at(prior))/k.sd) / 2
}

// turn changes one value; what was learnt on the scale of another goes with it.
func (p *Params) turn(k *knob, to float64) {
	kappa := p.Kappa
	k.put(p, to)
	if p.Kappa != kappa {
		// Gains were learnt as corrections per ln meltback, and so was scatter.
		p.GainFail *= p.Kappa / kappa
		p.GainPass *= p.Kappa / kappa
		p.Scatter *= kappa / p.Kappa
	}
}
