package compare

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// cleaverRun is the run of failed tries with one cleaver that is going on.
type cleaverRun struct {
	cleaver string
	failed  int
	at      time.Time
}

// A change of cleaver cured a run if the next try with another one passed, within a day
// and without electrode work between. One failed try may be chance: a run has two.
const (
	leastRun   = 2
	cureWithin = 24 * time.Hour
	mostRun    = 72 * time.Hour
)

// use notes tries for the life of their cleaver.
func (r *reading) use(ev *model.Event, tries, failed int) {
	if ev.Cleaver == "" || ev.Time.Before(r.since) {
		return
	}
	run := &r.cleaver
	if ev.Cleaver != run.cleaver || ev.Time.Sub(run.at) > cureWithin {
		if run.failed >= leastRun && ev.Passed && failed == 0 && ev.Cleaver != run.cleaver && ev.Time.Sub(run.at) <= cureWithin {
			r.cure(run.failed)
		}
		*run = cleaverRun{cleaver: ev.Cleaver}
	}
	run.at = ev.Time
	run.failed += failed
	if ev.Passed {
		run.failed = 0
	}
	if n := len(r.uses); n > 0 {
		if last := &r.uses[n-1]; last.cleaver == ev.Cleaver && last.cured == 0 && ev.Time.Sub(last.from) < mostRun {
			last.tries += tries
			last.at = ev.Time
			return
		}
	}
	r.uses = append(r.uses, use{from: ev.Time, at: ev.Time, cleaver: ev.Cleaver, tries: tries})
}

// cure ends the life of the cleaver that was used last.
func (r *reading) cure(failed int) {
	if n := len(r.uses); n > 0 {
		r.uses[n-1].cured = max(failed, 1)
	}
}

// blame is the bench finding that the cleaver used last was to blame.
func (r *reading) blame(at time.Time) {
	if at.Sub(r.cleaver.at) <= 7*cureWithin {
		r.cure(r.cleaver.failed)
	}
	r.cleaver = cleaverRun{}
}

// CleaverLife is what is known of a cleaver's edge. A use is one try, with two ends.
type CleaverLife struct {
	Cleaver string `json:"cleaver"`
	// Uses since the start or since it was last found blunt, and in all.
	Uses    int `json:"uses"`
	AllUses int `json:"all_uses"`
	// Blunt is how often it was found blunt; Cured the failed tries that a change of
	// cleaver, or its repair, ended.
	Blunt     int                  `json:"blunt"`
	Cured     int                  `json:"cured_tries"`
	LastBlunt drift.Opt[time.Time] `json:"last_blunt"`
	// Left are the uses until it is blunt, null where that cannot be told.
	Left *UsesLeft `json:"uses_left"`
	// Words say the same.
	Words string `json:"words"`
}

// UsesLeft are uses until a cleaver is blunt, reached with at most these chances.
type UsesLeft struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

// leastBlunt is how many edges must have ended in the fleet before a forecast is made.
const leastBlunt = 3

// cleavers follows each cleaver over all machines, in the order of time. After it was
// found blunt its life begins again: its blade was turned or replaced, or it is another
// one under the same name. blunt counts how often any was found blunt.
func cleavers(machines []Machine) (out []CleaverLife, blunt int) {
	byName := map[string][]use{}
	for i := range machines {
		for _, u := range machines[i].uses {
			byName[u.cleaver] = append(byName[u.cleaver], u)
		}
	}
	var lives []fit.Life
	for name, uses := range byName {
		slices.SortStableFunc(uses, func(a, b use) int { return a.at.Compare(b.at) })
		c := CleaverLife{Cleaver: name}
		for _, u := range uses {
			c.Uses += u.tries
			c.AllUses += u.tries
			if u.cured > 0 {
				c.Blunt++
				c.Cured += u.cured
				c.LastBlunt = drift.Some(u.at.UTC())
				lives = append(lives, fit.Life{Length: float64(c.Uses), Ended: true})
				blunt++
				c.Uses = 0
			}
		}
		if c.Uses > 0 {
			lives = append(lives, fit.Life{Length: float64(c.Uses)})
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b CleaverLife) int { return cmp.Compare(a.Cleaver, b.Cleaver) })
	if blunt >= leastBlunt {
		slices.SortFunc(lives, func(a, b fit.Life) int { return cmp.Compare(a.Length, b.Length) }) // sums do not depend on the map
		d := newEdges(lives)
		for i := range out {
			out[i].Left = d.left(float64(out[i].Uses))
		}
	}
	for i := range out {
		out[i].Words = out[i].words()
	}
	return out, blunt
}

// edges is the distribution of the uses of an edge: Weibull distributions averaged over
// their posterior. ln shape is normal around ln 1.5 with a standard deviation of 0.4
// beforehand (an edge wears, but how regularly is not known: a proposal), ln scale flat
// over a decade to both sides of the mean use.
type edges struct {
	ages, survival []float64 // the share that outlives each age
}

func newEdges(lives []fit.Life) edges {
	const shapes, scales, ages = 21, 41, 400
	var sum, sumLog, ended float64
	for _, l := range lives {
		sum += l.Length
		if l.Ended {
			ended++
			sumLog += math.Log(l.Length)
		}
	}
	mean := sum / ended
	type one struct{ shape, scale, logLik float64 }
	var all []one
	top := math.Inf(-1)
	for i := range shapes {
		z := 3 * (2*float64(i)/(shapes-1) - 1)
		shape := 1.5 * math.Exp(0.4*z)
		powers := 0.0
		for _, l := range lives {
			powers += math.Pow(l.Length/mean, shape)
		}
		for k := range scales {
			scale := math.Pow(10, 2*float64(k)/(scales-1)-1) // in means
			l := -z*z/2 - powers*math.Pow(scale, -shape) + ended*(math.Log(shape)-shape*math.Log(scale)) + (shape-1)*(sumLog-ended*math.Log(mean))
			all = append(all, one{shape, mean * scale, l})
			top = max(top, l)
		}
	}
	d := edges{ages: []float64{0}, survival: make([]float64, ages+1)}
	for i := range ages {
		d.ages = append(d.ages, mean*math.Pow(10, 5*float64(i)/(ages-1)-3))
	}
	total := 0.0
	for _, o := range all {
		weight := math.Exp(o.logLik - top)
		if weight < 1e-9 {
			continue
		}
		total += weight
		w := fit.Weibull{Shape: o.shape, Scale: o.scale}
		for i, age := range d.ages {
			d.survival[i] += weight * w.Survival(age)
		}
	}
	for i := range d.survival {
		d.survival[i] /= total
	}
	return d
}

// left is the remaining life at a number of uses: an edge that has lasted so long speaks
// for the longer lives.
func (d *edges) left(uses float64) *UsesLeft {
	last := len(d.ages) - 1
	at := min(sort.SearchFloat64s(d.ages, uses), last)
	now := d.survival[at]
	if at > 0 {
		part := (uses - d.ages[at-1]) / (d.ages[at] - d.ages[at-1])
		now = d.survival[at-1] + min(part, 1)*(d.survival[at]-d.survival[at-1])
	}
	quantile := func(p float64) float64 {
		want := (1 - p) * now
		for i := at; i <= last; i++ {
			if d.survival[i] > want {
				continue
			}
			from, before := d.ages[max(i-1, 0)], d.survival[max(i-1, 0)]
			if from < uses {
				from, before = uses, now
			}
			age := from
			if before > d.survival[i] {
				age += (d.ages[i] - from) * (before - want) / (before - d.survival[i])
			}
			return math.Round(age - uses)
		}
		return math.Round(d.ages[last])
	}
	return &UsesLeft{quantile(0.1), quantile(0.5), quantile(0.9)}
}
