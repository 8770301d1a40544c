package score

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Past is one machine as its records told it by a moment.
type Past struct {
	model.History
	Settings drift.Settings
	// Calibrations has for every event the calibration it was read from, nil for
	// events of another kind: trigger and air as they were told.
	Calibrations []*drift.Calibration
}

// failure is a session in which as many attempts as the limit allows failed
// before any pass. Only the first of a run counts: until a pass or a service the
// pair is down, and cannot fail again.
type failure struct {
	from     int // index of the event that begins the session
	pair     int
	arcs     float64 // on the pair when the session began
	at, last time.Time
}

// failures are those the records tell. A bench that then finds the electrodes
// fine, or the cleaver at fault, withdraws the failure: it was not theirs. down
// is whether the pair is, at the end.
func (p *Past) failures() (all []failure, down bool) {
	return p.failuresOf(func(time.Time) bool { return true })
}

// failuresOf leaves out sessions that were given up for another reason than the
// electrodes.
func (p *Past) failuresOf(electrodes func(session time.Time) bool) (all []failure, down bool) {
	var session failure
	fails, passed := int64(0), true
	for i := range p.Events {
		ev := &p.Events[i]
		if len(all) > 0 && down && ev.Pair != all[len(all)-1].pair {
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
			session, fails, passed = failure{from: i, pair: ev.Pair, arcs: ev.Arcs, at: ev.Time}, 0, false
		}
		if passed {
			continue
		}
		fails += ev.Tries
		if ev.Passed {
			fails--
			passed = true
		}
		if fails >= p.Settings.AttemptLimit && !down && electrodes(session.at) {
			session.last = ev.Time
			all, down = append(all, session), true
		}
		down = down && !ev.Passed
	}
	return all, down
}

// lives are the lives of the pairs that the machine wore, in arcs. A pair that
// passes again after a failure is watched from there on.
func (p *Past) lives() []fit.Life {
	failed, _ := p.failures()
	var out []fit.Life
	watched, from, arcs, pair := false, 0.0, 0.0, 0
	end := func(at float64, ended bool) {
		if watched && at > from {
			out = append(out, fit.Life{From: from, Length: at, Ended: ended})
		}
		watched = false
	}
	for i := range p.Events {
		ev := &p.Events[i]
		if ev.Pair != pair {
			end(arcs, false)
			pair, from, watched = ev.Pair, 0, true
		}
		arcs = ev.Arcs
		if len(failed) > 0 && i == failed[0].from {
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

// fate is what became of the pair that was fitted at a moment, for scoring.
type fate struct {
	// arcs and days from the moment to the first failure, or, if hidden, to where
	// the pair was last seen: it was serviced, or the records end.
	arcs, days float64
	hidden     bool
}

// least stands for a failure at the next arc: a life is longer than nothing.
const least = 0.5

// fateAfter is the fate of the pair fitted at a moment, by what is known in the
// end; false if nothing was heard of it any more.
func (p *Past) fateAfter(moment time.Time, failed []failure) (fate, bool) {
	f := p.after(p.upTo(moment), failed)
	if f.Until.IsZero() {
		return fate{}, false
	}
	return fate{arcs: max(f.Arcs, least), days: max(days(f.Until.Sub(moment)), least), hidden: f.End != EndFailed}, true
}

// upTo is how many events had happened by a moment.
func (p *Past) upTo(moment time.Time) int {
	n := 0
	for n < len(p.Events) && !p.Events[n].Time.After(moment) {
		n++
	}
	return n
}

func days(d time.Duration) float64 { return d.Hours() / 24 }
