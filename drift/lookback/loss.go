package lookback

import (
	"cmp"
	"math"
	"slices"

	"arcdrift/drift"
)

// loss is what was measured of one splice, in dB.
type loss struct {
	db        float64
	bothWays  bool
	estimated bool
}

// measuredOf makes one loss of all measurements of a splice: the mean of both
// directions where there are both. An optical time-domain reflectometer sees from one
// end the difference of the fibres' backscatter too, with the opposite sign from the
// other end, so that the mean is free of it (ITU-T G.650.3, installed links;
// IEC 61300-3-4, attenuation; both from memory).
func measuredOf(records []*drift.Entry) []loss {
	type key struct{ label, method string }
	both := map[key]map[drift.LossDirection][]float64{}
	var order []key
	var out []loss
	for _, e := range records {
		s := e.Splice
		if !s.Measured() {
			out = append(out, loss{db: s.Loss.Or(0), estimated: true})
			continue
		}
		k := key{s.Label, string(s.Method)}
		if s.Label == "" {
			k.label = "\x00" + e.ID // which one is unknown: one by itself
		}
		if both[k] == nil {
			both[k] = map[drift.LossDirection][]float64{}
			order = append(order, k)
		}
		both[k][s.Direction] = append(both[k][s.Direction], s.Loss.Or(0))
	}
	for _, k := range order {
		out = append(out, average(both[k]))
	}
	return out
}

func average(by map[drift.LossDirection][]float64) loss {
	mean := func(x []float64) float64 {
		sum := 0.0
		for _, v := range x {
			sum += v
		}
		return sum / float64(len(x))
	}
	there, back := by[drift.AToB], by[drift.BToA]
	switch {
	case len(by[drift.BothWays]) > 0:
		return loss{db: mean(by[drift.BothWays]), bothWays: true}
	case len(there) > 0 && len(back) > 0:
		return loss{db: (mean(there) + mean(back)) / 2, bothWays: true}
	case len(there) > 0:
		return loss{db: mean(there)}
	}
	return loss{db: mean(back)}
}

func summary(all []loss) *Loss {
	out := &Loss{Measured: len(all), Worst: math.Inf(-1)}
	for _, l := range all {
		out.Mean += l.db / float64(len(all))
		out.Worst = max(out.Worst, l.db)
		if l.bothWays {
			out.BothWays++
		}
		if l.estimated {
			out.Estimated++
		}
	}
	out.Mean, out.Worst = rounded(out.Mean, 1000), rounded(out.Worst, 1000)
	return out
}

// LossModel says how likely a loss is of a splice made within tolerance and of one
// made outside: each is log-normal, with a median in dB and a spread of its logarithm.
type LossModel struct {
	InMedian, InSpread, OutMedian, OutSpread float64
	// Learnt is how many measured splices the values rest on.
	Learnt int
}

// PriorLoss is what is believed before a fleet has measured any: a good splice of
// ordinary single-mode fibre loses a few hundredths of a decibel, a bad one a few
// times that. The medians are from memory, the spreads guesses.
func PriorLoss() LossModel {
	return LossModel{InMedian: 0.03, InSpread: 0.7, OutMedian: 0.09, OutSpread: 0.9}
}

const (
	// leastLoss replaces losses at or below the resolution of an instrument, in dB.
	leastLoss = 0.005
	// mostEvidence bounds the ratio of the likelihoods of one splice: fibres, dirt and
	// connectors make losses too, and the model of losses is rough.
	mostEvidence = 10.0
	// oneWay is the part of that logarithm that counts where one direction alone was
	// measured: the other half of the error is not known. A guess.
	oneWay = 0.25
	// prior is how many splices the prior is worth in learning.
	priorLosses = 40.0
)

// evidence is the logarithm of how much likelier the loss is outside tolerance than within.
// A machine's own estimate, from the shape of the joint, shows nothing here.
func (m *LossModel) evidence(l loss) float64 {
	if l.estimated {
		return 0
	}
	ratio := min(max(m.ratio(l.db), -math.Log(mostEvidence)), math.Log(mostEvidence))
	if !l.bothWays {
		ratio *= oneWay
	}
	return ratio
}

// ratio is that logarithm as the two curves have it.
func (m *LossModel) ratio(db float64) float64 {
	x := math.Log(max(db, leastLoss))
	at := func(median, spread float64) float64 {
		z := (x - math.Log(median)) / spread
		return -z*z/2 - math.Log(spread)
	}
	ratio := at(m.OutMedian, m.OutSpread) - at(m.InMedian, m.InSpread)
	if x < math.Log(m.InMedian) { // the wider curve says nothing of very low losses
		ratio = min(ratio, 0)
	}
	return ratio
}

// bayes is a chance after what makes it likelier by a factor with this logarithm.
func bayes(ratio, chance float64) float64 {
	odds := math.Exp(ratio)
	return chance * odds / (chance*odds + 1 - chance)
}

// Sample is one measured splice with the chance, without its loss, of being out.
type Sample struct{ DB, Chance float64 }

// LearnLoss learns how losses differ within and outside tolerance, by expectation and
// maximisation (Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39:1), from splices
// measured from both ends whose chances are known. The prior counts as so many
// splices of each kind; outside tolerance the median is never below that within.
func LearnLoss(samples []Sample) LossModel {
	m := PriorLoss()
	samples = slices.Clone(samples)
	slices.SortFunc(samples, func(a, b Sample) int { return cmp.Or(cmp.Compare(a.DB, b.DB), cmp.Compare(a.Chance, b.Chance)) })
	m.Learnt = len(samples)
	const rounds = 30
	for range rounds {
		in, out := newMoments(PriorLoss().InMedian, PriorLoss().InSpread), newMoments(PriorLoss().OutMedian, PriorLoss().OutSpread)
		for _, s := range samples {
			x := math.Log(max(s.DB, leastLoss))
			w := bayes(m.ratio(s.DB), s.Chance)
			in.add(x, 1-w)
			out.add(x, w)
		}
		m.InMedian, m.InSpread = in.values()
		m.OutMedian, m.OutSpread = out.values()
		m.OutMedian = max(m.OutMedian, m.InMedian)
	}
	return m
}

// moments are weighted sums of logarithms.
type moments struct{ n, sum, squares float64 }

func newMoments(median, spread float64) moments {
	x := math.Log(median)
	return moments{priorLosses, priorLosses * x, priorLosses * (x*x + spread*spread)}
}

func (m *moments) add(x, w float64) {
	m.n, m.sum, m.squares = m.n+w, m.sum+w*x, m.squares+w*x*x
}

func (m *moments) values() (median, spread float64) {
	mean := m.sum / m.n
	return math.Exp(mean), math.Sqrt(max(m.squares/m.n-mean*mean, 0.01))
}

// weigh returns how likely the losses make each draw, nil where none was measured, and
// what they say of each lot.
func (c *course) weigh(lots []*lot, losses *LossModel) (weights []float64, views map[*lot]*view) {
	views = map[*lot]*view{}
	logs := make([]float64, len(c.out))
	informed := false
	for _, l := range lots {
		v := c.viewOf(l)
		views[l] = v
		if losses == nil {
			continue
		}
		told := false
		for _, one := range measuredOf(l.records) {
			if odds := math.Exp(losses.evidence(one)); odds != 1 {
				v.saw(odds, 1)
				told = true
			}
		}
		if told {
			informed = true
			v.look(nil)
			for d := range logs {
				logs[d] += v.logLik[d]
			}
		}
	}
	if !informed {
		return nil, views
	}
	for _, v := range views {
		v.look(nil)
	}
	return normalized(logs), views
}

// after is what measured losses leave of a lot: the chance of a splice to be out, over all
// of them, and by draw of each that was measured.
func (v *view) after(n int, measured []loss, weights []float64, losses *LossModel) (all float64, own [][]float64) {
	odds := make([]float64, min(len(measured), n))
	for i := range odds {
		odds[i] = math.Exp(losses.evidence(measured[i]))
	}
	own = v.look(odds)
	for d, w := range weights {
		all += w * float64(n-len(odds)) * v.left[d] / float64(n)
		for i := range odds {
			all += w * own[d][i] / float64(n)
		}
	}
	return all, own
}
