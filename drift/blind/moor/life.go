package moor

import (
	"math"
	"slices"
	"sort"
	"time"

	"arcdrift/drift/blind"
)

// longest is how many days a pair left alone is followed.
const longest = 6000

func (f *fleet) moment(t int64) time.Time { return f.start.Add(time.Duration(t) * time.Second) }

func (h *history) seconds(at time.Time) int64 {
	return int64(math.Floor(at.Sub(h.m.fleet.start).Seconds()))
}

// from is a walk from the state at a time, with good ends.
func (h *history) from(t int64, c chance) *walk {
	at := &h.moments[h.index(t)]
	return &walk{m: h.m, c: c, st: at.state, pair: h.pairs[at.fitted]}
}

// At is how the machine stands.
func (h *history) At(at time.Time) blind.Condition {
	t := h.seconds(at)
	w := h.from(t, ownChance(h.m.seed))
	s := &w.st
	return blind.Condition{
		Program:     h.m.programs[s.program].name,
		RequiredPct: 100 * math.Expm1(s.required(h.m, w.pair)), SettingPct: s.set[s.program],
		Arcs: s.arcs, Air: w.air(s.site, t),
	}
}

// untilFailure walks on until a session has used up its attempts.
func (w *walk) untilFailure(horizon int64) int64 {
	from, day := w.st.arcs, w.st.day
	for w.st.arcs-from < horizon && w.st.day-day < longest {
		if k, a := w.step(); k == trial && a.failed {
			return min(horizon, w.st.arcs-from)
		}
	}
	return horizon
}

// Lived is the arcs to failure by the machine's own chance.
func (h *history) Lived(at time.Time, horizon int64) int64 {
	return h.from(h.seconds(at), ownChance(h.m.seed)).untilFailure(horizon)
}

// Futures are draws of the arcs to failure.
func (h *history) Futures(at time.Time, horizon int64, n int, seed uint64) []int64 {
	t := h.seconds(at)
	now := h.from(t, chance{})
	out := make([]int64, n)
	for i := range out {
		w := *now
		w.c = otherChance(h.m.seed, hash(seed^h.m.seed, ofSession, t, int64(i)), t, h.m.fleet.clock.zone)
		out[i] = w.untilFailure(horizon)
	}
	slices.Sort(out)
	return out
}

// ProbabilityOut is the chance that a well-prepared attempt lands outside.
func (h *history) ProbabilityOut(at time.Time, air blind.Air) float64 {
	w := h.from(h.seconds(at), chance{})
	return w.st.out(h.m, w.pair, w.st.required(h.m, w.pair)+h.m.airEffect(air))
}

// Electrodes says whether the last session would have failed with good ends too.
func (h *history) Electrodes(session time.Time) bool {
	t := h.seconds(session)
	i := sort.Search(len(h.sessions), func(i int) bool { return h.moments[h.sessions[i]].t > t }) - 1
	if i < 0 {
		return false
	}
	at := &h.moments[h.sessions[i]]
	w := &walk{m: h.m, c: ownChance(h.m.seed), st: at.state, pair: h.pairs[at.fitted]}
	for w.st.open {
		if _, a := w.step(); a.failed {
			return true
		}
	}
	return false
}
