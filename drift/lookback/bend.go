package lookback

import (
	"math"

	"arcdrift/drift/model"
)

// bend makes the chances that the model states for one machine those that came true in
// its own checks: logit p' = a + b·logit p (Platt 1999, in Advances in Large Margin
// Classifiers; for forecasts of chances Cox 1958, Biometrika 45:562). At every session
// the model says beforehand, from the records up to then, how likely the first attempt
// is to lie outside, and the attempt shows it.
type bend struct{ a, b float64 }

// The prior: chances are right as they stand, to within this much. Guesses.
const (
	bendShift = 0.5
	bendSlope = 0.25
)

// apply bends a chance.
func (k bend) apply(p float64) float64 { return logistic(k.a + k.b*logit(p)) }

// logit keeps away from 0 and 1, where nothing could be bent.
func logit(p float64) float64 {
	const nearest = 1e-4
	p = min(max(p, nearest), 1-nearest)
	return math.Log(p / (1 - p))
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// outcome is a first attempt: the chance stated before it, and how it ended. A bad
// end says nothing of the machine: weight is the chance that none was.
type outcome struct{ x, out, weight float64 }

// walk follows the machine once, without looking ahead. It returns the bend of its
// chances and, for each start, an index of an event in rising order, the machine as it
// stood before that event.
func (p *Past) walk(starts []int) (bend, []*model.Machine) {
	m := model.NewMachine(p.Machine, p.Kind)
	var seen []outcome
	var at []*model.Machine
	for i := range p.Events {
		for len(at) < len(starts) && starts[len(at)] == i {
			at = append(at, m.Clone())
		}
		if one, shows := step(m, &p.Events[i]); shows {
			seen = append(seen, one)
		}
	}
	return learnBend(seen), at
}

// step folds in an event and says how it ended, if that shows anything.
func step(m *model.Machine, ev *model.Event) (one outcome, shows bool) {
	pair, _, _, _ := m.Pair()
	shows = ev.Kind == model.Attempt && ev.NewSession && !ev.Conditioning && m.Attempts() > 0 && pair == ev.Pair
	if shows {
		one.x = logit(m.OutChance(m.Params().Placed(ev).Air, ev.Step))
	}
	s := m.Update(ev)
	one.weight = 1
	if !ev.Passed || ev.Tries > 1 {
		one.out, one.weight = 1, 1-s.BadEnd
	}
	return one, shows
}

// learnBend finds the likeliest bend, with its prior, by Newton's method on a function
// that has one maximum.
func learnBend(seen []outcome) bend {
	k := bend{0, 1}
	const rounds = 20
	for range rounds {
		ga, gb := -k.a/(bendShift*bendShift), -(k.b-1)/(bendSlope*bendSlope)
		haa, hab, hbb := 1/(bendShift*bendShift), 0.0, 1/(bendSlope*bendSlope)
		for _, o := range seen {
			p := logistic(k.a + k.b*o.x)
			g, h := o.weight*(o.out-p), o.weight*p*(1-p)
			ga, gb = ga+g, gb+g*o.x
			haa, hab, hbb = haa+h, hab+h*o.x, hbb+h*o.x*o.x
		}
		det := haa*hbb - hab*hab
		k.a += (hbb*ga - hab*gb) / det
		k.b += (haa*gb - hab*ga) / det
		k.b = min(max(k.b, 0.1), 2)
	}
	return k
}
