package alert

import (
	"fmt"
	"math"
)

// Withheld is a rule that is not sent: by what the bench found it is not
// expected right often enough to be sent.
type Withheld struct {
	Rule RuleName `json:"matter"`
	// Right and Wrong are the cases that the bench has judged; Needs is how many
	// more that are right, none wrong between, bring the rule back.
	Right int `json:"right"`
	Wrong int `json:"wrong"`
	Needs int `json:"needs"`
}

// Withheld lists the rules that would be sent but for what the bench found, in the
// order of Rules.
func (p *Policy) Withheld() []Withheld {
	var out []Withheld
	for _, r := range Rules() {
		s, judged := p.Scores[r.Name]
		if !judged || r.Severity == Note || p.sends(r) {
			continue
		}
		out = append(out, Withheld{r.Name, s.Right, s.Wrong, s.needs(p.Right[r.Name])})
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

// String says it to whoever looks for alerts: that none comes is no sign of health.
func (s Withheld) String() string {
	times := "one finding of worn or dirty"
	if s.Needs > 1 {
		times = fmt.Sprintf("%d findings of worn or dirty in a row", s.Needs)
	}
	return fmt.Sprintf("%s alerts are not sent. By the findings of the bench, %d were right and %d wrong, which is below 8 in 10. They appear in the lists only: no message does not mean that a machine is fit. They are sent again after %s, logged with the service.",
		s.Rule.Word(), s.Right, s.Wrong, times)
}
