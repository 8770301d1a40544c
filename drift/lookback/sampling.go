package lookback

import (
	"fmt"
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// ownPart is how far the splices of a lot may be from what a draw of the machine's course
// says: a standard deviation in logits. Measured splices tell how far they are. A guess,
// tried on fleets of strangers.
const ownPart = 1.0

// points cut its normal distribution into as many equal shares: the quantiles at 1/14,
// 3/14 … 13/14.
var points = [...]float64{-1.4652, -0.7916, -0.3661, 0, 0.3661, 0.7916, 1.4652}

// view is a lot as the draws of a course see it, with what was measured of it.
type view struct {
	chance []float64 // of a splice to be out, by draw
	told   [][len(points)]float64
	// logLik is how likely each draw makes what was measured, left the chance of a splice
	// that was not measured.
	logLik, left []float64
}

// viewOf is the lot before anything was measured.
func (c *course) viewOf(l *lot) *view {
	v := &view{chance: make([]float64, len(c.out))}
	pieces, total := l.pieces(), l.splices()
	for d := range v.chance {
		for _, j := range pieces {
			v.chance[d] += l.share[j] / total * c.out[d][j]
		}
	}
	return v
}

// at is the chance of a splice in a draw, at a point of the lot's own part. Logits are
// stretched so that parts of mean 0 leave the mean chance as it was (MacKay 1992, Neural
// Computation 4:720).
func (v *view) at(draw, point int) float64 {
	stretch := math.Sqrt(1 + math.Pi/8*ownPart*ownPart)
	return logistic(stretch*logit(v.chance[draw]) + ownPart*points[point])
}

// saw takes in what was measured of n splices: how much likelier it is of a splice out of
// tolerance than of one within, 0 for one known to be good and infinite for a bad one.
func (v *view) saw(odds float64, n int) {
	if v.told == nil {
		v.told = make([][len(points)]float64, len(v.chance))
	}
	for d := range v.told {
		for z := range points {
			chance := v.at(d, z)
			if math.IsInf(odds, 1) {
				v.told[d][z] += float64(n) * math.Log(chance)
				continue
			}
			v.told[d][z] += float64(n) * math.Log1p(chance*(odds-1))
		}
	}
}

// look works out logLik and left. after has the odds of measured splices whose own chances
// are asked for: these are returned by draw, in their order.
func (v *view) look(after []float64) [][]float64 {
	v.logLik, v.left = make([]float64, len(v.chance)), make([]float64, len(v.chance))
	own := make([][]float64, len(v.chance))
	for d := range v.chance {
		var told [len(points)]float64
		if v.told != nil {
			told = v.told[d]
		}
		top := slices.Max(told[:])
		sum := 0.0
		own[d] = make([]float64, len(after))
		for z := range points {
			chance, w := v.at(d, z), math.Exp(told[z]-top)
			sum += w
			v.left[d] += w * chance
			for i, odds := range after {
				own[d][i] += w * bayes(math.Log(odds), chance)
			}
		}
		v.left[d] /= sum
		for i := range after {
			own[d][i] /= sum
		}
		v.logLik[d] = top + math.Log(sum/float64(len(points)))
	}
	return own
}

// normalized turns logarithms of weights into weights that sum to 1.
func normalized(logs []float64) []float64 {
	out := make([]float64, len(logs))
	top, sum := slices.Max(logs), 0.0
	for d, l := range logs {
		out[d] = math.Exp(l - top)
		sum += out[d]
	}
	for d := range out {
		out[d] /= sum
	}
	return out
}

// rest is how many splices of the lot were not measured, and the chance of one of them to
// be out.
func (lot *Lot) rest() (n int, chance float64) {
	n = lot.Entry.Splices
	for i := range lot.measured {
		if !lot.measured[i].estimated {
			n--
		}
	}
	if lot.weights == nil {
		return n, lot.Entry.Chance
	}
	return n, lot.believes(lot.view.logLik)
}

// believes is the chance of a splice that was not measured, where what was measured had
// these likelihoods when the weights were made.
func (lot *Lot) believes(then []float64) (chance float64) {
	logs := make([]float64, len(then))
	for d := range logs {
		logs[d] = lot.view.logLik[d] - then[d]
		if lot.weights != nil {
			logs[d] += math.Log(lot.weights[d])
		}
	}
	for d, w := range normalized(logs) {
		chance += w * lot.view.left[d]
	}
	return chance
}

// enough is how many more splices of the lot, measured from both ends and each with the
// usual loss of a good one, bring the chance of the others below OpenFrom, and that chance;
// all that are left, if it takes them all.
func (lot *Lot) enough() (n int, chance, db float64) {
	losses := PriorLoss()
	if lot.losses != nil {
		losses = *lot.losses
	}
	odds := math.Exp(losses.evidence(loss{db: losses.InMedian, bothWays: true}))
	left, _ := lot.rest()
	more := *lot
	v := *lot.view
	v.told = slices.Clone(v.told)
	v.look(nil)
	then := v.logLik
	more.view = &v
	for n = 1; ; n++ {
		v.saw(odds, 1)
		v.look(nil)
		if chance = more.believes(then); chance < OpenFrom || n >= left {
			return n, chance, losses.InMedian
		}
	}
}

// next says which splices of the lots of a finding to measure next, and when to stop; ""
// where nobody has to.
func next(lots []Lot) string {
	var worst *Lot
	const few = 5 // splices and fewer tell little of others: larger lots come first
	top, waits, many := 0.0, false, false
	for i := range lots {
		lot := &lots[i]
		if d := lot.Entry.Decision; !lot.Entry.Open && (d == nil || d.Verdict != drift.Remeasure) || lot.view == nil {
			continue
		}
		waits = true
		n, chance := lot.rest()
		if n == 0 || chance < OpenFrom {
			continue
		}
		if more := n > few; worst == nil || more && !many || more == many && chance > top {
			worst, top, many = lot, chance, more
		}
	}
	if !waits {
		return ""
	}
	if worst == nil {
		return fmt.Sprintf("Enough was measured: on no day is the chance of the splices not measured %.0f %% or more.", 100*OpenFrom)
	}
	left, _ := worst.rest()
	n, after, db := worst.enough()
	e := &worst.Entry
	day := e.Day
	if t, err := time.Parse(time.DateOnly, e.Day); err == nil {
		day = phrase.Date(t)
	}
	where := "no job named"
	if e.Job != "" {
		where = e.Job
	}
	if after >= OpenFrom {
		return fmt.Sprintf("Measure next: %s, %s, all %s from both ends. The chance of each is %.0f %%, and no smaller number would settle it.", day, where, plural(left, "splice"), 100*top)
	}
	return fmt.Sprintf("Measure next: %s, %s, %d of %s from both ends. The chance of each is %.0f %%. If they lose about %.2f dB each, that of the others falls to %.0f %%: stop there. If some lose more, go on.",
		day, where, n, plural(left, "splice"), 100*top, db, 100*after)
}

// Sampling measures the splices of one machine again, some at a time, the worst first: what
// is seen changes what is believed of all others.
type Sampling struct {
	views  []*view
	logs   []float64
	weight []float64
}

// NewSampling begins with lots of one question about one machine.
func NewSampling(lots []Lot) *Sampling {
	s := &Sampling{}
	for i := range lots {
		v := &view{chance: lots[i].view.chance}
		v.look(nil)
		s.views = append(s.views, v)
		s.logs = make([]float64, len(v.chance))
	}
	s.weight = normalized(s.logs)
	return s
}

// Chance is that of a splice of a lot that was not measured to be out.
func (s *Sampling) Chance(lot int) (chance float64) {
	for d, w := range s.weight {
		chance += w * s.views[lot].left[d]
	}
	return chance
}

// Saw takes in that so many splices of a lot were measured and so many of them were out.
func (s *Sampling) Saw(lot, measured, out int) {
	v := s.views[lot]
	was := v.logLik
	v.saw(0, measured-out)
	v.saw(math.Inf(1), out)
	v.look(nil)
	for d := range s.logs {
		s.logs[d] += v.logLik[d] - was[d]
	}
	s.weight = normalized(s.logs)
}
