package cli

import (
	"context"
	"fmt"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// fresh is how long ago the contractor's findings are that nobody has decided on yet.
const fresh = 7 * 24 * time.Hour

// pastDecisions are what the contractor's people decided on the findings of the story that
// are older than a week: without them all of two months would be open at once.
func pastDecisions(ctx context.Context, history []drift.Record, now time.Time) ([]drift.Record, error) {
	report, err := fleet.Doubt(ctx, fleet.NewRecords(history), now, nil, lookback.Question{})
	if err != nil {
		return nil, err
	}
	found := map[string]time.Time{}
	for _, s := range report.Waiting() {
		if now.Sub(s.To) > fresh {
			found[s.Name] = s.To
		}
	}
	var out []drift.Record
	for i := range report.Entries {
		e := &report.Entries[i]
		at, old := found[e.Span]
		if !old || !e.Open {
			continue
		}
		r := drift.Record{
			Type: drift.TypeDecision, ID: fmt.Sprintf("decision-%s-%s-%d", e.Machine, e.Day, i), Machine: e.Machine, Time: at.Add(26 * time.Hour),
			Operator: "Lene Holt", Decision: &drift.Decision{Verdict: drift.Accept, Day: e.Day, Job: e.Job, Role: "manager", Chance: drift.Some(e.Chance)},
		}
		switch {
		case now.Sub(at) < 2*fresh:
			r.Decision.Verdict = drift.Remeasure
		case e.Chance > 0.7:
			r.Decision.Reason = "those above 0.1 dB were made anew, the others measured from both ends"
		default:
			r.Decision.Reason = "measured again from both ends, all below 0.1 dB"
		}
		out = append(out, r)
	}
	return out, nil
}
