package model

import "math"

// Missing says what the last attempt did not tell of what required power is worked
// out from.
type Missing struct {
	Meltback, Setting, Target bool
	// Learnt is whether the target of the machine's kind stood in.
	Learnt bool
}

// Missing returns that of the last attempt.
func (m *Machine) Missing() Missing { return m.untold }

// aimed lets the target of the machine's kind stand in where nothing tells this
// machine's, if all of the kind have one.
func (m *Machine) aimed(ev *Event) *Event {
	m.untold = Missing{Meltback: !ev.Mean.Known(), Setting: !ev.Setting.Known(), Target: !ev.Target.Known()}
	if ev.Target.Known() || !ev.Mean.Known() || !m.params.OneTarget {
		return ev
	}
	with := *ev
	with.Melt = meltOf(ev.Mean, m.params.Target)
	m.untold.Learnt = with.Melt.Known()
	return &with
}

// oneTarget says whether nine in ten of the targets told lie within a hundredth of
// their median: machines of one kind that aim at different values tell nothing of
// another's.
func oneTarget(told []float64, median float64) bool {
	near := 0
	for _, t := range told {
		if math.Abs(t-median) <= median/100 {
			near++
		}
	}
	return len(told) >= enough && 10*near >= 9*len(told)
}
