package model

import "math"

// Missing says which inputs of required power the last attempt did not report.
type Missing struct {
	Meltback, Setting, Target bool
	// Learnt is whether the target of the machine's kind was used instead.
	Learnt bool
}

// Missing returns what the last attempt did not report.
func (m *Machine) Missing() Missing { return m.missing }

// aimed uses the target of the machine's kind where this machine's is unknown, if all of
// the kind have the same.
func (m *Machine) aimed(ev *Event) *Event {
	m.missing = Missing{Meltback: !ev.Mean.Known(), Setting: !ev.Setting.Known(), Target: !ev.Target.Known()}
	if ev.Target.Known() || !ev.Mean.Known() || !m.params.OneTarget {
		return ev
	}
	with := *ev
	with.Melt = meltOf(ev.Mean, m.params.Target)
	m.missing.Learnt = with.Melt.Known()
	return &with
}

// oneTarget says whether nine in ten of the reported targets lie within a hundredth of
// their median. If machines of one kind differ in it, none says anything of another's.
func oneTarget(targets []float64, median float64) bool {
	near := 0
	for _, t := range targets {
		if math.Abs(t-median) <= median/100 {
			near++
		}
	}
	return len(targets) >= enough && 10*near >= 9*len(targets)
}
