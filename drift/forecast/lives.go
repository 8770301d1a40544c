package forecast

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Failure is a session in which as many attempts as the limit allows failed before any
// pass. Only the first of a run counts: until a pass or a service the pair is down and
// cannot fail again.
type Failure struct {
	From     int // index of the event that begins the session
	Pair     int
	Arcs     float64 // on the pair when the session began
	At, Last time.Time
}

// Failures returns those on record, without sessions that were given up for another
// reason than the electrodes. A bench that finds the electrodes fine, or the cleaver at
// fault, withdraws the failure. down is whether the pair is down at the end.
func Failures(h *model.History, electrodes func(session time.Time) bool) (all []Failure, down bool) {
	var session Failure
	fails, passed := int64(0), true
	for i := range h.Events {
		ev := &h.Events[i]
		if len(all) > 0 && down && ev.Pair != all[len(all)-1].Pair {
			down = false
		}
		switch ev.Kind {
		case model.Cleaned, model.Replaced, model.Unlogged, model.Inspected:
			if down && (ev.Finding == drift.Fine || ev.Finding == drift.CleaverFault) {
				all = all[:len(all)-1]
			}
			down = down && ev.Kind == model.Inspected && ev.Finding != drift.Fine && ev.Finding != drift.CleaverFault
			continue
		case model.Usage:
			continue
		}
		if ev.NewSession {
			session, fails, passed = Failure{From: i, Pair: ev.Pair, Arcs: ev.Arcs, At: ev.Time}, 0, false
		}
		if passed {
			continue
		}
		fails += ev.Tries
		if ev.Passed {
			fails--
			passed = true
		}
		if fails >= int64(h.AttemptLimit) && !down && electrodes(session.At) {
			session.Last = ev.Time
			all, down = append(all, session), true
		}
		down = down && !ev.Passed
	}
	return all, down
}

// Lives returns the lifetimes of the pairs of a machine, in arcs, censored where a pair
// was serviced or its records end. A pair that passes again after a failure is a new
// life, observed from there on.
func Lives(h *model.History) []fit.Life {
	failed, _ := Failures(h, func(time.Time) bool { return true })
	var out []fit.Life
	watched, from, arcs, pair := false, 0.0, 0.0, 0
	end := func(at float64, ended bool) {
		if watched && at > from {
			out = append(out, fit.Life{From: from, Length: at, Ended: ended})
		}
		watched = false
	}
	for i := range h.Events {
		ev := &h.Events[i]
		if ev.Pair != pair {
			end(arcs, false)
			pair, from, watched = ev.Pair, 0, true
		}
		arcs = ev.Arcs
		if len(failed) > 0 && i == failed[0].From {
			failed = failed[1:]
			end(arcs, true)
			continue
		}
		if !watched && (ev.Kind == model.Cleaned || ev.Kind == model.Attempt && ev.Passed) {
			watched, from = true, arcs
		}
	}
	end(arcs, false)
	return out
}
