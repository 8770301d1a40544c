package alert

import (
	"fmt"
	"math"
)

// Silenced is a rule that has silenced itself: by what the bench found it is not
// expected right often enough to be sent.
type Silenced struct {
	Matter Matter `json:"matter"`
	// Right and Wrong are the cases that the bench has judged; Needs is how many
	// more that are right, none wrong between, bring the rule back.
	Right int `json:"right"`
	Wrong int `json:"wrong"`
	Needs int `json:"needs"`
}

// Silenced lists the rules that would be sent but for what the bench found, in the
// order of Rules.
func (p *Policy) Silenced() []Silenced {
	var out []Silenced
	for _, r := range Rules() {
		s, judged := p.Scores[r.Matter]
		if !judged || r.Class == Note || p.sends(r) {
			continue
		}
		out = append(out, Silenced{r.Matter, s.Right, s.Wrong, s.needs(p.Right[r.Matter])})
	}
	return out
}

// needs is how many cases in a row must be right until the expected share, now as
// given, is enough again: each adds one to both its parts (see Expected).
func (s *Score) needs(expected float64) int {
	weight := float64(s.Right + s.Wrong + before)
	short := (RightEnough - expected) * weight / (1 - RightEnough)
	return max(1, int(math.Ceil(short-1e-9)))
}

// String says it to whoever looks for alerts: quiet is not health.
func (s Silenced) String() string {
	what := map[Matter]string{MustStop: "Stop", ElectrodesDue: "Service soon"}[s.Matter]
	times := "the next finding of worn or dirty"
	if s.Needs > 1 {
		times = fmt.Sprintf("%d findings of worn or dirty in a row", s.Needs)
	}
	return fmt.Sprintf("No %s alerts are sent: by the bench %d were right and %d wrong, and that is below 8 in 10. They stand in the lists only. Quiet is not health. What brings them back: %s, logged with each service.",
		what, s.Right, s.Wrong, times)
}
