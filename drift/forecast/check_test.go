package forecast

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// lived are the histories of a fleet of one kind of machine.
func lived(t *testing.T, seed uint64, change func(m *synth.Model)) []model.History {
	return livedAs(t, func(records []drift.Record) []drift.Record { return records }, seed, change)
}

// livedAs are those of a fleet whose records are told in another way.
func livedAs(t *testing.T, told func([]drift.Record) []drift.Record, seed uint64, change func(m *synth.Model)) []model.History {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	w.Models = w.Models[:1]
	w.Grades = synth.Mix{Full: 0.7, Correction: 0.3}
	change(&w.Models[0])
	fleet := synth.Make(w, seed, 12, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), 120)
	entries := map[string][]drift.Entry{}
	var setups drift.Setups
	for _, r := range told(fleet.Records) {
		setups.Take(&r)
		if r.Machine != "" {
			entries[r.Machine] = append(entries[r.Machine], drift.Entry{Record: r})
		}
	}
	var out []model.History
	for _, m := range fleet.Truth.Machines {
		r := model.Reader{Settings: setups.For(m.Name, m.Model.Name, "")}
		h := model.History{Machine: m.Name, Key: model.Key{Model: m.Model.Name}, AttemptLimit: m.Model.AttemptLimit}
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

func learnt(hs []model.History) *model.Params {
	var s model.Sample
	for _, h := range hs {
		s.Enrol(h)
	}
	return s.Learn().For(hs[0].Key)
}

// What is learnt of each way in which machines correct themselves does, simulated,
// what the history did that it came from: nothing is found. A gain that is not that
// of the records is, and what they show comes in its place.
func TestWhatIsLearntIsHeldAgainstItsRecords(t *testing.T) {
	for name, change := range map[string]func(m *synth.Model){
		"after fails only":  func(m *synth.Model) { m.Gain, m.PassGain = 0.8, 0 },
		"after passes too":  func(m *synth.Model) { m.Gain, m.PassGain = 0.6, 0.4 },
		"with a dead band":  func(m *synth.Model) { m.Gain, m.PassGain, m.Law.DeadBand = 0.7, 0.7, 0.4 },
		"too much":          func(m *synth.Model) { m.Gain, m.PassGain = 1.4, 0 },
		"in coarse steps":   func(m *synth.Model) { m.Gain, m.PassGain, m.Law.CoarseSteps = 0.8, 0.5, true },
		"at its limit":      func(m *synth.Model) { m.Gain, m.PassGain, m.Limit = 0.8, 0, 5 },
		"by three attempts": func(m *synth.Model) { m.Gain, m.PassGain, m.Law.Averages = 0.8, 0.3, true },
	} {
		t.Run(name, func(t *testing.T) {
			hs := lived(t, 5, change)
			p := learnt(hs)
			gain := p.GainFail
			check(p, "type-1", hs)
			assert.Empty(t, p.Diagnostics)
			assert.Equal(t, gain, p.GainFail, "and nothing mended")

			wrong := *p
			wrong.GainFail = 0
			check(&wrong, "type-1", hs)
			require.NotEmpty(t, wrong.Diagnostics)
			assert.Contains(t, strings.Join(wrong.Diagnostics, " "), "after a fail")
			// Of sums over all attempts, bad ends and those at the limit too.
			assert.InDelta(t, gain, wrong.GainFail, 0.5*gain)
		})
	}
}

// Sessions that one record tells are held against the parameters too: their first attempts
// failed. Left out, all first attempts would seem to pass.
func TestWholeSessionsAreHeldAgainstWhatIsLearnt(t *testing.T) {
	hs := livedAs(t, drifttest.Whole, 5, func(*synth.Model) {})
	p := learnt(hs)
	seen, said := replayed(p, hs)
	assert.Equal(t, seen.tries[0]-seen.passed[0], seen.tries[1], "who fails first tries again")
	assert.NotZero(t, seen.tries[1])
	assert.InDelta(t, said.passed[0]/said.tries[0], seen.passed[0]/seen.tries[0], clearly)
	check(p, "type-1", hs)
	assert.Empty(t, p.Diagnostics)
}

// A fleet whose required power changes by 3 % from one session to the next asks for more
// than the model takes for possible: it is learnt so, and said.
func TestAParameterAtItsBoundIsSaid(t *testing.T) {
	hs := lived(t, 6, func(*synth.Model) {})
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range hs {
		shift := 0.0
		for j := range hs[i].Events {
			ev := &hs[i].Events[j]
			if ev.NewSession {
				shift += 3 * rng.NormFloat64()
			}
			for _, x := range []*drift.Opt[float64]{&ev.Setting, &ev.Next} {
				if was, ok := x.Get(); ok {
					*x = drift.Some(was + shift)
				}
			}
		}
	}
	p := learnt(hs)
	require.Contains(t, p.AtBounds(), "random change of required power")
	check(p, "type-1", hs)
	said := strings.Join(p.Diagnostics, " ")
	assert.Contains(t, said, "Model “type-1”: the records ask for a value at the edge of what is taken for possible: ")
	assert.Contains(t, said, "random change of required power")

	for i := range hs { // a handful of sessions may look like anything
		hs[i].Events = hs[i].Events[:3]
	}
	p.Attempts = fewChecked - 1
	check(p, "type-1", hs)
	assert.Empty(t, p.Diagnostics)
}
