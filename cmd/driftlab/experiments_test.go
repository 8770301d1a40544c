package main

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/advise"
	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
)

// Sessions a day apart. Dirt comes between the second and the third, and a service
// before the sixth.
func TestRunsOfSessionsAreCounted(t *testing.T) {
	fit, soon := []advise.State{advise.Fit}, []advise.State{advise.CheckFirst, advise.ServiceSoon}
	s := sessions{
		stay:   []int{0, 0, 0, 0, 0, 1, 1, 1, 1},
		states: [][]advise.State{fit, fit, fit, fit, soon, fit, fit, fit, {worthWatching}},
	}
	for day := range s.stay {
		s.began = append(s.began, noon.AddDate(0, 0, day))
	}
	var m synth.Machine
	m.Dirt = []synth.Dirt{{Time: noon.Add(36 * time.Hour)}}
	var c dirtCounts
	s.count(&m, &c)
	// The run from the third session on notices and calls in its third; the one from the
	// fourth on comes within a week of the dirt, as all later ones.
	assert.Equal(t, dirtCounts{soiled: 1, noticed: 1, called: 1}, c)

	// Without the dirt: runs from the second and third; from the fourth and fifth, which
	// the service cuts to two sessions and to one; from the seventh. The first does not
	// notice, the last notices and does not call.
	m.Dirt = nil
	c = dirtCounts{}
	s.count(&m, &c)
	assert.Equal(t, dirtCounts{clean: 5, noticedWithout: 4, calledWithout: 3}, c)
}

// Of a level that does not move the posterior mean has a closed form: with a prior
// N(0, 1) and attempts of variance v, Σx/(n + v). The cloud has 2,000 particles, and each
// attempt spreads them by 0.03: 0.1 is four standard errors.
func TestTheObserverKnowsTheLaws(t *testing.T) {
	kind := synth.Model{Offset: synth.Spread{SD: 1}, Bend: 1, Scatter: 0.5, ScatterArcs: math.Inf(1), ScatterBend: 1}
	o := newObserver(&synth.Machine{Model: &kind}, 1)
	sum := 0.0
	for i, x := range []float64{1.4, 0.9, 1.2, 0.6, 1.5, 1.1} {
		o.advance(float64(40 * i))
		o.update(x)
		sum += x
	}
	mean := 0.0
	for i := range o.cloud {
		mean += o.level(&o.cloud[i]) / float64(len(o.cloud))
	}
	assert.InDelta(t, sum/(6+0.25), mean, 0.1)
}

// The constants of a hard fleet follow from its seed alone.
func TestHardFleetsAreDrawnFromTheirSeed(t *testing.T) {
	for _, w := range hardWorlds() {
		wish := blind.Wish{Seed: 5, Machines: 2, Days: 20, Start: noon.Truncate(24 * time.Hour)}
		assert.Equal(t, w.make(wish).Lines, w.make(wish).Lines, w.name)
		other := wish
		other.Seed = 6
		assert.NotEqual(t, w.make(wish).Lines, w.make(other).Lines, w.name)
	}
}

// Each experiment ends with 1 where a bar is missed or cannot be judged: of one machine
// over ten days nothing can.
func TestExperimentsCanFail(t *testing.T) {
	for _, name := range []string{"dirt", "power", "hard", "synth"} {
		code, out, talk := lab(t, name, "--check", "--fleets", "1", "--machines", "1", "--days", "10")
		assert.Equal(t, exitFailed, code, name)
		assert.Contains(t, out, "not judged", name)
		assert.Contains(t, talk, "bars that are not met", name)
	}
}
