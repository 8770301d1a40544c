package backtest

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// PerfectKnowledge knows a machine as it stands and all laws, but not chance:
// nobody does better but by luck. It takes a [Truth]. Where there is none,
// [Hindsight] stands in its place, which has read in the records what came, chance
// and all.
const PerfectKnowledge = "perfect knowledge"

// Truth is what only the maker of an artificial fleet knows.
type Truth interface {
	// Chance is that of a failure within so many arcs of the pair fitted at a
	// moment, with well-prepared ends and the pair left alone.
	Chance(machine string, at time.Time, arcs float64) float64
	// Electrodes says whether the session of a moment, given up, would have been
	// given up with well-prepared ends too.
	Electrodes(machine string, session time.Time) bool
}

// electrodes says whether a session was given up for the electrodes, as far as
// that is known.
func (w *walker) electrodes(session time.Time) bool {
	return w.truth == nil || w.truth.Electrodes(w.whole.Machine, session)
}

// foresees says whether the best of watchers raises an alarm.
func (w *walker) foresees(now time.Time, ahead float64) bool {
	if w.truth != nil {
		return w.truth.Chance(w.whole.Machine, now, ahead) >= advise.LikelyFailure
	}
	fate, heard := w.whole.fateAfter(now, w.failed)
	return heard && !fate.hidden && fate.days <= advise.JudgedWithin(w.machine)
}

// harmonic is the harmonic mean: that of precision and recall is van Rijsbergen's
// F (1979, Information Retrieval, chapter 7), which neither alone can raise far.
func harmonic(a, b drift.Opt[float64]) drift.Opt[float64] {
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
