package backtest

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Oracle is the forecaster that knows the state of a machine and all laws, but not
// chance: others do better by luck only. It needs a [Truth]; without one [Hindsight]
// takes its place, which reads from the records what came, chance included.
const Oracle = "oracle"

// Truth is what the maker of an artificial fleet knows.
type Truth interface {
	// Chance returns the chance, from 0 to 1, that the pair fitted at a moment fails
	// within so many arcs, with well-prepared ends and without a service.
	Chance(machine string, at time.Time, arcs float64) float64
	// Electrodes says whether the session that began at a moment and was given up would
	// have been given up with well-prepared ends too.
	Electrodes(machine string, session time.Time) bool
}

// electrodes says whether a session was given up for the electrodes; true if there is
// no [Truth].
func (w *walker) electrodes(session time.Time) bool {
	return w.truth == nil || w.truth.Electrodes(w.whole.Machine, session)
}

// foresees says whether the oracle, or hindsight, raises an alarm.
func (w *walker) foresees(now time.Time, ahead float64) bool {
	if w.truth != nil {
		return w.truth.Chance(w.whole.Machine, now, ahead) >= advise.LikelyFailure
	}
	fate, heard := w.whole.fateAfter(now, w.failed)
	return heard && !fate.censored && fate.days <= advise.JudgedWithin(w.machine)
}

// f1 is the harmonic mean of precision and recall: van Rijsbergen's F (1979, Information
// Retrieval, chapter 7), which neither alone can raise far.
func f1(a, b drift.Opt[float64]) drift.Opt[float64] {
	x, knownX := a.Get()
	y, knownY := b.Get()
	switch {
	case !knownX || !knownY:
		return drift.Opt[float64]{}
	case x+y == 0:
		return drift.Some(0.0)
	}
	return drift.Some(2 * x * y / (x + y))
}
