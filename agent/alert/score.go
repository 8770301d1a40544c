package alert

import "arcdrift/drift"

// Score is how the cases of one rule turned out by what the bench found. A
// case counts whether it was sent or only listed: that is how a rule earns
// sending.
type Score struct {
	Rule RuleName `json:"matter"`
	// Sent were sent; Right are those where the electrodes were to blame, Wrong
	// those where they were not, Unclear those without a finding that says.
	Sent    int `json:"told"`
	Right   int `json:"right"`
	Wrong   int `json:"wrong"`
	Unclear int `json:"unclear"`
}

// Scores counts the outcomes of the rules that the bench answers, in the order
// of Rules.
func Scores(outcomes []Outcome) []Score {
	var scores []Score
	for _, r := range Rules() {
		if !r.Bench {
			continue
		}
		s := Score{Rule: r.Name}
		for _, o := range outcomes {
			if o.Rule == r.Name && o.End != Unannounced {
				s.count(o)
			}
		}
		scores = append(scores, s)
	}
	return scores
}

func (s *Score) count(o Outcome) {
	if !o.SentAt.IsZero() {
		s.Sent++
	}
	switch right, judged := o.Verdict(); {
	case !judged:
		s.Unclear++
	case right:
		s.Right++
	default:
		s.Wrong++
	}
}

// Verdict says whether the bench found that the electrodes were to blame, and whether it
// says either way.
func (o *Outcome) Verdict() (right, judged bool) {
	switch o.Finding {
	case drift.Worn, drift.Dirty:
		return true, true
	case drift.Fine, drift.CleaverFault:
		return false, true
	}
	return false, false
}

// Precision is the share that was right of those with a finding that says;
// unknown without one.
func (s *Score) Precision() drift.Opt[float64] {
	if s.Right+s.Wrong == 0 {
		return drift.Opt[float64]{}
	}
	return drift.Some(float64(s.Right) / float64(s.Right+s.Wrong))
}

// before is how many judged cases the share known beforehand is worth.
const before = 10

// Expected is how often the rule is to be expected right from now on, 0 to 1:
// the cases of this fleet over a share known beforehand (from replaying its
// history), which weighs as much as ten of them. It is the mean of the beta
// distribution that such counts leave.
func (s *Score) Expected(known float64) float64 {
	return (float64(s.Right) + before*known) / float64(s.Right+s.Wrong+before)
}
