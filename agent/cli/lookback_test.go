package cli

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/lookback"
)

// The text has one line for a finding of many days, what waits first; JSON keeps each
// entry.
func TestTheLookBackIsGroupedByFinding(t *testing.T) {
	t.Parallel()
	r := lookback.Report{Spans: []lookback.Span{
		{Name: "old", Machine: "K-02", Triggers: []lookback.Trigger{lookback.PairWorn}, Found: "Found on 3 Nov 2026, 07:00 UTC: the electrodes were found worn or dirty.", Summary: "K-02: 3 Nov, 4 splices, 1 likely out, between 0 and 2.", All: lookback.Tally{Entries: 1}},
		{Name: "open", Machine: "K-01", Triggers: []lookback.Trigger{lookback.CheckFailed}, Found: "Found on 20 Nov 2026, 07:00 UTC: a check failed.", Good: "The check before passed.", Summary: "K-01: 1 to 20 Nov, 340 splices, 60 likely out, between 30 and 95.", All: lookback.Tally{Entries: 20}, Waiting: lookback.Tally{Entries: 20}, Open: true},
	}}
	for day := range 20 {
		r.Entries = append(r.Entries, lookback.Entry{Machine: "K-01", Day: fmt.Sprintf("2026-11-%02d", day+1), Span: "open", Chance: 0.5, Open: true})
	}
	r.Entries = append(r.Entries, lookback.Entry{Machine: "K-02", Day: "2026-11-03", Span: "old", Chance: 0.1})
	var text, list strings.Builder
	require.NoError(t, writeLookBack(&text, &r, formatText))
	assert.Contains(t, text.String(), "K-01: 1 to 20 Nov, 340 splices, 60 likely out, between 30 and 95. (20 to decide)\n  Found on 20 Nov 2026, 07:00 UTC: a check failed. The check before passed.\n")
	assert.Contains(t, text.String(), "8 more are less likely out")
	assert.Contains(t, text.String(), "K-02: 3 Nov, 4 splices, 1 likely out, between 0 and 2. (nothing to decide)")
	assert.Less(t, strings.Index(text.String(), "K-01"), strings.Index(text.String(), "K-02"))
	require.NoError(t, writeLookBack(&list, &r, formatCSV))
	assert.Equal(t, 22, strings.Count(list.String(), "\n"))
}
