package main

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
	"arcdrift/drift/whatif"
)

// A fleet that is checked every day and lives again with checks every day lives the same
// life; with checks every week it makes more splices out of tolerance.
func TestFleetsLiveAgainWithOtherIntervals(t *testing.T) {
	t.Parallel()
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	wish := blind.Wish{Seed: 3, Machines: 10, Days: 70, Start: time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)}
	all, err := replayIntervals(t.Context(), w, wish, []int{1, 7})
	require.NoError(t, err)
	require.NotEmpty(t, all)
	more := 0.0
	for _, r := range all {
		switch r.row.Every {
		case 0, 1:
			assert.Zero(t, r.trueExtra)
			assert.InDelta(t, r.true, r.row.Out.Mean, 150, "of 1000")
		case 7:
			more += r.trueExtra
		}
	}
	assert.Positive(t, more)
}

func TestStatedRangesAreCounted(t *testing.T) {
	t.Parallel()
	var h held
	row := whatif.Row{Out: whatif.Range{Mean: 10, Low: 8, High: 13}, ExtraRate: whatif.Range{Mean: 1, Low: 0, High: 2}}
	h.add(&replayed{row, 12, 2.5})
	h.add(&replayed{row, 14, 0.5})
	assert.Equal(t, held{cases: 2, out: 1, extra: 1, said: 20, came: 26, saidExtra: 2, cameExtra: 3}, h)
	var out bytes.Buffer
	e := env{stdout: &out, stderr: &out}
	assert.Zero(t, e.run(t.Context(), []string{"what-if", "--worlds", "healthy", "--fleets", "1", "--machines", "6", "--days", "70", "--every", "3"}))
	assert.Contains(t, out.String(), "healthy 1")
	assert.Contains(t, out.String(), "every  3 days:")
}
