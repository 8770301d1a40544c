package lookback

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

var firstDay = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// pastsOf are the histories of an invented fleet, with what its kinds have taught.
func pastsOf(t testing.TB, world string, seed uint64, machines, days int) ([]Past, synth.Fleet) {
	w, ok := synth.WorldNamed(world)
	require.True(t, ok)
	w.Splices = 0.7
	fleet := synth.Make(w, seed, machines, firstDay, days)
	entries := map[string][]drift.Entry{}
	var setups drift.Setups
	for i := range fleet.Records {
		r := fleet.Records[i]
		setups.Take(&r)
		if r.Machine != "" {
			entries[r.Machine] = append(entries[r.Machine], drift.Entry{Record: r, Received: r.Time})
		}
	}
	var histories []model.History
	out := make([]Past, 0, machines)
	for _, m := range fleet.Truth.Machines {
		p := Past{Machine: m.Name, Settings: setups.For(m.Name, m.Model.Name, ""), Entries: entries[m.Name]}
		drift.Order(p.Entries)
		reader := model.Reader{Settings: p.Settings}
		for i := range p.Entries {
			if ev, ok := reader.Next(&p.Entries[i]); ok {
				p.Events = append(p.Events, ev)
			}
		}
		histories = append(histories, model.History{Machine: m.Name, Key: model.Key{Model: m.Model.Name, Program: m.Model.Program}, Events: p.Events, AttemptLimit: 4})
		out = append(out, p)
	}
	var sample model.Sample
	for _, h := range histories {
		sample.Enrol(h)
	}
	pop := sample.Learn()
	for i := range out {
		out[i].Kind = pop.For(histories[i].Key)
	}
	return out, fleet
}

// BenchmarkLookBack reviews what a fleet of 300 machines was found out at in its last 60
// days of two years, as the board of open look-backs asks for, and all splices that one
// machine made in two years. Histories are in memory and the kinds learnt.
func BenchmarkLookBack(b *testing.B) {
	const machines, days = 300, 730
	pasts, _ := pastsOf(b, "healthy", 1, machines, days)
	now := firstDay.AddDate(0, 0, days)
	all := func(visit func(int, *Past)) error {
		for i := range pasts {
			visit(i, &pasts[i])
		}
		return nil
	}
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			r, err := All(machines, all, Question{}, now)
			require.NoError(b, err)
			b.ReportMetric(float64(len(r.Entries)), "entries")
		}
	})
	b.Run("machine", func(b *testing.B) {
		for b.Loop() {
			r, err := All(1, func(visit func(int, *Past)) error { visit(0, &pasts[0]); return nil }, Question{Machine: pasts[0].Machine, From: drift.Some(firstDay), To: drift.Some(now)}, now)
			require.NoError(b, err)
			b.ReportMetric(float64(len(r.Entries)), "entries")
		}
	})
}

// drawnLosses are those of splices of which some are out, with chances that say so.
func drawnLosses(n int) []Sample {
	rng := rand.New(rand.NewPCG(5, 5))
	out := make([]Sample, n)
	for i := range out {
		out[i].Chance = []float64{0.02, 0.1, 0.5}[i%3]
		median := 0.02
		if rng.Float64() < out[i].Chance {
			median = 0.12
		}
		out[i].DB = median * math.Exp(0.5*rng.NormFloat64())
	}
	return out
}
