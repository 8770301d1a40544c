package model

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/synth"
)

// histories reads a fleet's records as the machines' histories.
func histories(fleet synth.Fleet) []History {
	entries := map[string][]drift.Entry{}
	var setups drift.Setups
	for i := range fleet.Records {
		r := fleet.Records[i]
		setups.Take(&r)
		if r.Machine != "" {
			entries[r.Machine] = append(entries[r.Machine], drift.Entry{Record: r})
		}
	}
	var out []History
	for _, m := range fleet.Truth.Machines {
		h := History{Machine: m.Name, Key: Key{m.Model.Name, m.Model.Program}}
		r := Reader{Settings: setups.For(m.Name, m.Model.Name, "")}
		mine := entries[m.Name]
		drift.Order(mine)
		for i := range mine {
			if ev, ok := r.Next(&mine[i]); ok {
				h.Events = append(h.Events, ev)
			}
		}
		out = append(out, h)
	}
	return out
}

func learn(hs []History) *Population {
	var s Sample
	for _, h := range hs {
		s.Enrol(h)
	}
	return s.Learn()
}

// learnt is what the records of a world of one kind, all telling numbers, give.
func learnt(t testing.TB, seed uint64, kind synth.Model, machines, days int) *Params {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	w.Models = []synth.Model{kind}
	w.Grades = synth.Mix{Full: 1}
	w.MoveRate = 0.15
	return learn(histories(synth.Make(w, seed, machines, morning, days))).For(Key{kind.Name, kind.Program})
}

func typeOne(t testing.TB) synth.Model {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	return w.Models[0]
}

// What a fleet of 20 machines teaches in 240 days about its kind, over three
// seeds: means within two to three times the standard error of a mean of three,
// as seen over seeds (κ: 0.05).
//
// Machines correct themselves only after a fail here, so that every second
// attempt has been selected by a first one far off: ratios of differences would
// then give a κ of 2.1 to 3.3 for a true 2. The likelihood knows that both have
// noise.
func TestLearnRecovers(t *testing.T) {
	kind := typeOne(t)
	kind.PassGain, kind.Kappa = 0, synth.Spread{Mean: 2}
	const seeds, days = 3, 240
	got := map[string]float64{}
	for seed := range uint64(seeds) {
		p := learnt(t, 100+seed, kind, 20, days)
		for name, x := range map[string]float64{
			"kappa": p.Kappa, "gain after a fail": p.GainFail, "gain after a pass": p.GainPass,
			"slope": p.Slope, "density": p.Air[0], "humidity": p.Air[1], "temperature": p.Air[2],
			"scatter when new": p.ScatterAt(0), "scatter at 1200": p.ScatterAt(1200), "scatter at 1700": p.ScatterAt(1700),
			"bad ends": p.BadEnd, "target": p.Target.Or(0), "tolerance": p.Tolerance.Or(0), "limit": p.Limit.Or(0),
		} {
			got[name] += x / seeds
			t.Logf("seed %d: %s %.3f", seed, name, x)
		}
		assert.Greater(t, p.Attempts, 2000)
	}
	curve := func(arcs float64) float64 {
		return kind.Scatter * (1 + math.Pow(arcs/kind.ScatterArcs, kind.ScatterBend))
	}
	for name, want := range map[string]struct{ value, within float64 }{
		"kappa": {2, 0.1}, "gain after a fail": {kind.Gain, 0.05}, "gain after a pass": {0, 0.02},
		"slope": {kind.Slope.Mean, 0.5}, "density": {kind.Density.Mean, 0.06},
		"humidity": {kind.Humidity.Mean, 0.03}, "temperature": {10 * kind.Temperature.Mean, 0.15},
		"scatter when new": {curve(0), 0.35}, "scatter at 1200": {curve(1200), 0.4}, "scatter at 1700": {curve(1700), 0.6},
		"target": {kind.Target, 0}, "tolerance": {kind.Tolerance, 0}, "limit": {kind.Limit, 0},
	} {
		assert.InDelta(t, want.value, got[name], want.within, name)
	}
}

// A sender that fills in target and setting as they should be shows no scatter at
// all; what is learnt of it is a number all the same.
func TestLearnFromConstantResults(t *testing.T) {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	w.Grades = synth.Mix{Full: 1}
	hs := histories(synth.Make(w, 5, 1, morning, 40))
	for i := range hs {
		for j := range hs[i].Events {
			if ev := &hs[i].Events[j]; ev.Melt.Known() {
				ev.Melt, ev.Setting, ev.Next = drift.Some(0.0), drift.Some(0.0), drift.Some(0.0)
			}
		}
	}
	pop := learn(hs)
	for i := range hs {
		m := NewMachine(hs[i].Machine, pop.For(hs[i].Key))
		for j := range hs[i].Events {
			m.Update(&hs[i].Events[j])
		}
		level, sd := m.Level()
		assert.False(t, math.IsNaN(level+sd+m.Params().Walk+m.OutChance([airTerms]float64{0.1}, 50)), "%v ± %v, %+v", level, sd, m.Params())
	}
}

// A fleet of old pairs that hardly wear, first recorded after some 20,000 arcs,
// is learnt as any other: κ, the effects of density (true 0.42, three standard
// errors of 30 machines) and the scatter of the pairs as they are.
func TestLearnFromOldPairs(t *testing.T) {
	w, ok := synth.WorldNamed("healthy")
	require.True(t, ok)
	w.Models, w.Grades = w.Models[:1], synth.Mix{Full: 1}
	p := learn(histories(synth.Make(w, 1, 30, morning, 120))).For(Key{w.Models[0].Name, w.Models[0].Program})
	assert.InDelta(t, 2.1, p.Kappa, 0.15)
	assert.InDelta(t, 0.42, p.Air[0], 0.06)
	assert.InDelta(t, 1.25, p.ScatterAt(20_000), 0.4)
}

func TestLearnFromNothing(t *testing.T) {
	var none Sample
	pop := none.Learn()
	assert.Equal(t, Prior(), *pop.For(Key{"type-1", ""}), "nothing from nothing")
	assert.Empty(t, pop.Keys())
}

// The populations are a function of the histories enrolled, in whatever order.
func TestLearnDoesNotCareForOrder(t *testing.T) {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	hs := histories(synth.Make(w, 3, 6, morning, 50))
	once := learn(hs)
	slices.Reverse(hs)
	require.Equal(t, once, learn(hs))
	keys := once.Keys()
	assert.True(t, slices.IsSortedFunc(keys, Key.compare))
	assert.NotEmpty(t, keys)
	assert.Same(t, once.For(Key{"never seen", ""}), once.For(Key{"nor this", "p"}), "the whole fleet is used")
}

// Of a large kind those with the smallest hashes are asked, whoever else is there
// and whenever they came.
func TestSampleIsBoundedAndSteady(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var names []string
	for i := range 200 {
		names = append(names, fmt.Sprintf("M-%03d", i))
	}
	asked := func() []string {
		rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
		var s Sample
		for _, n := range names {
			s.Enrol(History{Machine: n, Key: Key{Model: "type-1"}})
		}
		var out []string
		for _, h := range s.byKey[Key{Model: "type-1"}] {
			out = append(out, h.Machine)
		}
		return out
	}
	first := asked()
	assert.Len(t, first, sampleMachines)
	assert.Equal(t, first, asked())
}

func TestMedian(t *testing.T) {
	x := []float64{5, 1, 3}
	assert.Equal(t, 3.0, median(x))
	assert.Equal(t, []float64{5, 1, 3}, x)
	assert.Equal(t, 2.5, median([]float64{4, 1, 2, 3}))
}

// On a parabola the search is at the top at once.
func TestClimbFrom(t *testing.T) {
	calls := 0
	f := func(x float64) float64 { calls++; return 3 - (x-1.3)*(x-1.3) }
	best, top := lineSearch(f, 1, f(1), 0.25)
	assert.InDelta(t, 1.3, best, 1e-12)
	assert.InDelta(t, 3, top, 1e-12)
	assert.LessOrEqual(t, calls, 5)
	// From afar it takes wider steps.
	best, _ = lineSearch(f, -4, f(-4), 0.1)
	assert.InDelta(t, 1.3, best, 0.5)
}

// Counts alone show nothing of how machines measure or wear: what was believed is
// left, all of it.
func TestNothingIsLearntFromCountsAlone(t *testing.T) {
	key := Key{"type-1", "single-mode"}
	var hs []History
	for m := range 3 {
		h := History{Machine: fmt.Sprint("K-0", m), Key: key}
		for n := range 40 {
			h.Events = append(h.Events, Event{Kind: Usage, Time: morning.AddDate(0, 0, n), Arcs: 50 * float64(n+1), Step: 50})
		}
		hs = append(hs, h)
	}
	got, prior := *learn(hs).For(key), Prior()
	assert.Zero(t, got.Attempts)
	assert.InDelta(t, prior.BadEnd, got.BadEnd, 1e-12)
	got.BadEnd, got.CleanLevelSD = prior.BadEnd, prior.CleanLevelSD // up to rounding
	assert.Equal(t, prior, got)
	hs[0].Events[9].Kind, hs[0].Events[9].Tries, hs[0].Events[9].Passed = Attempt, 1, true
	assert.Positive(t, learn(hs).For(key).Attempts, "one attempt is learnt from")
}
