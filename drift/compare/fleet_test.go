package compare_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/compare"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

var start = time.Date(2025, 1, 6, 0, 0, 0, 0, time.UTC)

func world(t *testing.T, name string) synth.World {
	t.Helper()
	worlds := synth.Worlds()
	i := slices.IndexFunc(worlds, func(w synth.World) bool { return w.Name == name })
	require.GreaterOrEqual(t, i, 0)
	w := worlds[i]
	w.Models = slices.Clone(w.Models)
	return w
}

// report compares a fleet by its records. The populations are learnt from a few machines
// only, to save time.
func report(t *testing.T, f synth.Fleet, days int) compare.Report {
	t.Helper()
	asOf := start.AddDate(0, 0, days)
	var pasts []compare.Past
	at := map[string]int{}
	for _, r := range f.Records {
		i, known := at[r.Machine]
		if !known {
			i, at[r.Machine] = len(pasts), len(pasts)
			pasts = append(pasts, compare.Past{Machine: r.Machine, Model: r.Model})
		}
		pasts[i].Entries = append(pasts[i].Entries, drift.Entry{Record: r, Received: r.Time})
	}
	var sample model.Sample
	for i := range pasts[:4] {
		var reader model.Reader
		h := model.History{Machine: pasts[i].Machine, Key: model.Key{Model: pasts[i].Model}, AttemptLimit: 4}
		for k := range pasts[i].Entries {
			if ev, ok := reader.Next(&pasts[i].Entries[k]); ok {
				h.Events = append(h.Events, ev)
			}
		}
		sample.Enrol(h)
	}
	pop := sample.Learn()
	var machines []compare.Machine
	for i := range pasts {
		pasts[i].Kind = pop.For(model.Key{Model: pasts[i].Model})
		machines = append(machines, compare.Read(&pasts[i], asOf))
	}
	r, err := compare.All(machines, asOf)
	require.NoError(t, err)
	return r
}

// One of twelve cleavers that pass from machine to machine makes bad ends seven times as
// often. It is found in both fleets, and no sound one is called worse.
func TestPlantedBluntCleavers(t *testing.T) {
	t.Parallel()
	w := world(t, "healthy")
	w.Ends = synth.Ends{BadEnd: 0.03, BluntBadEnd: 0.2, BluntEvery: 1e9, BluntDays: 1, Pool: 12, Dull: 1}
	found, wrong, sound := 0, 0, 0
	for seed := range uint64(2) {
		for _, g := range report(t, synth.Make(w, 100+seed, 16, start, 160), 160).Groups {
			if g.By != compare.ByCleaver {
				continue
			}
			dull := g.Name == "C-1"
			t.Log(g.Words)
			switch {
			case dull:
				if g.Verdict == compare.Worse {
					found++
				}
			default:
				sound++
				if g.Verdict == compare.Worse {
					wrong++
				}
			}
		}
	}
	t.Log("found", found, "of 2, wrong", wrong, "of", sound)
	assert.Equal(t, 2, found)
	assert.LessOrEqual(t, wrong, sound/30)
}

// Bad lots wear and scatter two and a half times as much. Of those of which four pairs or
// more have ended at least two in three are called worse, none is called no worse in
// growth, and of the sound lots' verdicts at most one in thirty is worse.
func TestPlantedBadLots(t *testing.T) {
	t.Parallel()
	w := world(t, "lots")
	for i := range w.Models {
		w.Models[i].Law.BadLots, w.Models[i].Law.BadLot = 0.25, 2.5
	}
	w.Sites = w.Sites[:2]
	found, known, wrong, sound := 0, 0, 0, 0
	for _, seed := range []uint64{104, 105} {
		f := synth.Make(w, seed, 24, start, 280)
		bad := map[string]bool{}
		for _, m := range f.Truth.Machines {
			for _, s := range m.Services {
				bad[s.Lot] = bad[s.Lot] || s.Bad
			}
		}
		worse, enough := map[string]bool{}, map[string]bool{}
		for _, g := range report(t, f, 280).Groups {
			switch {
			case g.By != compare.ByLot:
			case !bad[g.Name]:
				sound++
				if g.Verdict == compare.Worse {
					wrong++
				}
			default:
				t.Log(seed, g.Words, g.Behind(), g.Chance)
				worse[g.Name] = worse[g.Name] || g.Verdict == compare.Worse
				if g.Outcome == compare.PairLife {
					enough[g.Name] = g.Ended >= 4
				}
				if g.Outcome == compare.Growth {
					assert.NotEqual(t, compare.NoWorse, g.Verdict, g.Words)
				}
			}
		}
		for lot := range bad {
			if enough[lot] {
				known++
				if worse[lot] {
					found++
				}
			}
		}
	}
	t.Log("found", found, "of", known, "wrong", wrong, "of", sound)
	assert.GreaterOrEqual(t, known, 3)
	assert.GreaterOrEqual(t, 3*found, 2*known)
	assert.LessOrEqual(t, wrong, sound/30)
}
