package advise

import (
	"cmp"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// monthAttempts is the number of attempts in which a streak is asked for its
// chance by luck: about a working month of daily calibrations.
const monthAttempts = 30

// streakOf describes the current streak: its length, its chance by luck in a
// month under the machine's own base rate, and what is likely behind it.
func streakOf(m *model.Machine) Streak {
	s := m.Streak()
	out := Streak{Attempts: s.Attempts, Sessions: s.Sessions}
	if s.Attempts == 0 {
		return out
	}
	fails, tries := m.FailRate()
	// Before any attempt is seen, one fail in twenty is taken for usual.
	base := fit.Beta{A: 1 + fails, B: 19 + tries - fails}
	if p, err := base.RunChance(max(monthAttempts, s.Attempts), s.Attempts); err == nil {
		out.ByLuck = rounded(p, 10000)
	}
	out.Cause = causes(s)
	return out
}

// causes weighs the three explanations of a streak. Bad ends are the
// share that the model finds from the single attempts; of the rest, the air has the part by
// which the change of air alone raised the chance of a miss; the electrodes have
// what is left. Another cleaver that failed as well speaks against the ends.
func causes(s model.Streak) []Cause {
	ends := s.BadEnd
	if s.OtherCleaver {
		// Two cleavers blunt at once is rare: a third of the odds, a guess.
		ends /= 3 - 2*ends
	}
	airShare := 0.0
	if s.OutNow > s.OutBefore {
		airShare = (s.OutNow - s.OutBefore) / s.OutNow
	}
	out := []Cause{
		{CauseEnds, ends},
		{CauseElectrodes, (1 - ends) * (1 - airShare)},
		{CauseAir, (1 - ends) * airShare},
	}
	for i := range out {
		out[i].Probability = rounded(out[i].Probability, 100).Or(0)
	}
	slices.SortStableFunc(out, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return out
}

// blame is the probability of one cause, 0 without a streak.
func (s *Streak) blame(cause string) float64 {
	for _, c := range s.Cause {
		if c.Cause == cause {
			return c.Probability
		}
	}
	return 0
}

// EndsFirst says whether the fibre ends are the likeliest cause of the current
// streak, or nobody can tell: then another cleaver is tried before anybody goes to the
// electrodes.
func (s *Streak) EndsFirst() bool {
	return s.Attempts > 0 && (len(s.Cause) == 0 || s.Cause[0].Cause == CauseEnds)
}

// givenUp says whether a session has ended without a pass: so many tries, or a
// later session begun in the same streak.
func (s *Streak) givenUp(settings *drift.Settings) bool {
	return s.Sessions > 1 || int64(s.Attempts) >= settings.AttemptLimit
}
