package fleet

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// A decision on a day at the bench is known however many records came since, with and
// without what is kept, until the machine is serviced.
func TestADecisionOnTheBenchStands(t *testing.T) {
	k := newKeeper(t, evening)
	at := evening.AddDate(0, 0, -3)
	decided := drift.Record{ID: "d", Type: drift.TypeDecision, Machine: "K-07", Time: at, Operator: "Ada", Decision: &drift.Decision{Verdict: drift.Bench, Day: "2026-03-09", Reason: "the crew is back"}}
	splices := drift.Record{ID: "s", Type: drift.TypeDecision, Machine: "K-07", Time: at.Add(time.Minute), Decision: &drift.Decision{Verdict: drift.Redo, Day: "2026-02-09"}}
	k.take(t, calibration("K-07", at.Add(-time.Hour)), decided, splices)
	var many []drift.Record
	for i := range 600 {
		many = append(many, drift.Record{ID: fmt.Sprint("u", i), Type: drift.TypeUsage, Machine: "K-07", Time: at.Add(time.Duration(i+2) * time.Minute), ArcCount: drift.Some(int64(100 + i))})
	}
	k.take(t, many...)
	move := k.Snapshot().About("K-07").Move
	require.NotNil(t, move)
	assert.Equal(t, []string{"2026-03-09", "Ada", "the crew is back"}, []string{move.Day, move.By, move.Reason})
	assert.True(t, move.Taken.Equal(at))
	k.restart(t, true)
	assert.Equal(t, move, k.Snapshot().About("K-07").Move)
	k.take(t, calibration("K-07", at.Add(24*time.Hour)))
	k.same(t, "a decision before many records")

	k.take(t, drift.Record{ID: "i", Type: drift.TypeService, Machine: "K-07", Time: evening.Add(-2 * time.Hour), Service: &drift.Service{Action: drift.Inspected}})
	require.NotNil(t, k.Snapshot().About("K-07").Move, "it was looked at only")
	k.same(t, "a look after a decision")

	k.take(t, drift.Record{ID: "c", Type: drift.TypeService, Machine: "K-07", Time: evening.Add(-time.Hour), Service: &drift.Service{Action: drift.Cleaned}})
	assert.Nil(t, k.Snapshot().About("K-07").Move, "it was serviced")
	k.same(t, "a service after a decision")
}
