package fleet

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// ledger is a store as a command reads it, which counts as countedCache does.
type ledger struct{ *countedCache }

func (ledger) Refused() (map[string]int, error) { return nil, nil }

func (l ledger) Last() (epoch, seq uint64, err error) {
	stats, err := l.Stats()
	return stats.Epoch, stats.Seq, err
}

// command is what a command that has the store to itself does.
func (k *keeper) command() *Answers {
	return NewKeptAnswers(ledger{k.cache}, k.build, k.clock)
}

// asked asks commands, one after the other, about now and the past, and holds
// each answer against that of the records alone.
func (k *keeper) asked(t *testing.T, rng *rand.Rand, what string) {
	t.Helper()
	names, err := k.cache.Machines()
	require.NoError(t, err)
	for range 3 {
		machine := append(names, "")[rng.IntN(len(names)+1)]
		asOf := drift.Opt[time.Time]{}
		if rng.IntN(3) == 0 {
			asOf = drift.Some(k.now.Add(-time.Duration(rng.IntN(4*24)) * time.Hour))
		}
		c := k.command()
		got, err := c.AssessAt(machine, asOf, drift.Opt[time.Time]{})
		require.NoError(t, err)
		want, err := Replay(storeBook{k.cache.Store}, machine, asOf.Or(k.now), drift.Opt[time.Time]{})
		require.NoError(t, err)
		require.Equal(t, want, got, what)
		q := advise.Move{Machine: names[rng.IntN(len(names))], AsOf: asOf.Or(time.Time{}), Temperature: drift.Some(5.0), Humidity: drift.Some(60.0), Altitude: drift.Some(900.0)}
		moved, err := c.Move(q)
		require.NoError(t, err)
		wantMove, err := NewAnswers(storeBook{k.cache.Store}, k.clock).Move(q)
		require.NoError(t, err)
		require.Equal(t, wantMove, moved, what)
		if rng.IntN(5) > 0 {
			require.NoError(t, c.Keep())
		}
	}
}

// Whatever comes between, commands answer what the records alone say, bit for bit.
func TestWhatCommandsKeepChangesNoAnswer(t *testing.T) {
	for seed := range uint64(faulttest.Rounds(t, 1)) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			before, today := past(t, evening)
			k := newKeeper(t, evening)
			k.append(t, before...)
			rng := rand.New(rand.NewPCG(seed, 11))
			s := &scribe{rng: rng, told: before, left: today}
			s.told = slices.DeleteFunc(s.told, func(r drift.Record) bool { return r.Type == drift.TypeSetup })
			k.asked(t, rng, "at first")
			for n := range 10 {
				what := s.step(t, k)
				k.asked(t, rng, fmt.Sprintf("after step %d: %s", n, what))
			}
		})
	}
}

// The second question reads nothing from its beginning, whoever asks: the machine
// that is asked about is gone on from, the others are left alone. What came today
// does not change that; what came late has all read again.
func TestTheSecondCommandLearnsNothing(t *testing.T) {
	before, _ := past(t, evening)
	k := newKeeper(t, evening)
	k.append(t, before...)
	names, err := k.cache.Machines()
	require.NoError(t, err)
	machine := names[0]
	ask := func() int64 {
		from := k.cache.whole.Load()
		c := k.command()
		_, err := c.AssessAt(machine, drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
		require.NoError(t, err)
		require.NoError(t, c.Keep())
		return k.cache.whole.Load() - from
	}
	assert.Positive(t, ask())
	assert.Zero(t, ask())
	fresh := calibration(machine, k.now)
	k.append(t, fresh)
	assert.Zero(t, ask())
	late := calibration(machine, learntAt(k.now).Add(-time.Hour))
	k.append(t, late)
	assert.Positive(t, ask())
	assert.Zero(t, ask())
	k.build = "two"
	assert.Positive(t, ask(), "another program may learn otherwise")
}
