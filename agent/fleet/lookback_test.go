package fleet

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// The running fleet and a command that has the store to itself give the same answer, and
// what nobody knows is refused by name.
func TestLookBackOfAStoreAndOfAFleetAreTheSame(t *testing.T) {
	before, today := story(t)
	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	machine := y.Snapshot().Assessments()[0].Machine
	q := lookback.Question{Machine: machine, From: drift.Some(evening.AddDate(0, 0, -20)), To: drift.Some(evening)}
	running, err := y.LookBack(nil, q)
	require.NoError(t, err)
	require.NotEmpty(t, running.Entries)
	alone, err := NewAnswers(y.store, func() time.Time { return evening }).LookBack(q)
	require.NoError(t, err)
	assert.Equal(t, alone, running)

	lately, err := y.LookBack(nil, lookback.Question{})
	require.NoError(t, err)
	kept, known := y.OpenLookBacks()
	assert.True(t, known)
	assert.Equal(t, lately, kept)

	_, err = y.LookBack(nil, lookback.Question{Machine: "X-99", From: q.From, To: q.To})
	assert.EqualError(t, err, `machine is "X-99": it is not known here: no record names it`)
	_, err = y.LookBack(nil, lookback.Question{Job: "nothing"})
	assert.EqualError(t, err, `job is "nothing": it is not known here: no splice record names it`)
}

// A decision is no sign of life of a machine: it is no record of its use.
func TestADecisionSaysNothingOfTheMachineItself(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	y.take(t, before...)
	was := y.Snapshot().Assessments()
	y.take(t, drift.Record{
		Type: drift.TypeDecision, ID: "d-1", Machine: was[0].Machine, Time: evening, Operator: "Ada",
		Decision: &drift.Decision{Verdict: drift.Redo, Day: "2026-03-01"},
	})
	now := y.Snapshot().Assessments()
	require.Len(t, now, len(was))
	for i := range was {
		was[i].Data.Records, now[i].Data.Records = 0, 0
		was[i].AsOf, now[i].AsOf = time.Time{}, time.Time{}
	}
	assert.Equal(t, was, now)
}
