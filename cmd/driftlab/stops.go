package main

import (
	"time"

	"arcdrift/drift/advise"
)

// stops counts the days of machines in which the state was stop, as the same fleet
// was reported cleanly and with mess.
type stops struct {
	days int
	// wrong and cleanWrong are stops of machines that would not fail a session for
	// their electrodes within advise.PlanDays: with mess where the clean telling did
	// not stop either, and in the clean telling itself.
	wrong, cleanWrong int
	// right are those of the clean telling, lost those of them missing with mess.
	right, lost int
}

func (s *stops) add(o *stops) {
	s.days += o.days
	s.wrong += o.wrong
	s.cleanWrong += o.cleanWrong
	s.right += o.right
	s.lost += o.lost
}

// compareStops counts, at each midnight after learning began, the states in which
// the machines then are.
func compareStops(clean, messy *played) tallies {
	parts := tallies{}
	if len(clean.replay.Moments) == 0 {
		return parts
	}
	cleanly, messily := stoppedBy(clean), stoppedBy(messy)
	for name, m := range clean.truth {
		part := &parts.of(m.Grade).stops
		within := arcsWithin(clean, name)
		for at := clean.replay.Moments[0]; at.Before(clean.end); at = at.AddDate(0, 0, 1) {
			part.days++
			asClean, asMessy := cleanly[name].at(at), messily[name].at(at)
			if !asClean && !asMessy {
				continue // neither right nor wrong: the truth need not be asked
			}
			fails := m.Lived(at, within) < within
			switch {
			case fails && asClean:
				part.right++
				part.lost += number(!asMessy)
			case !fails && asClean:
				part.cleanWrong++
			case !fails && asMessy:
				part.wrong++
			}
		}
	}
	parts.total()
	return parts
}

// timeline are the states of one machine.
type timeline []change

type change struct {
	from time.Time
	stop bool
}

// at is whether the machine is stopped at a moment.
func (l timeline) at(moment time.Time) bool {
	stop := false
	for _, c := range l {
		if c.from.After(moment) {
			break
		}
		stop = c.stop
	}
	return stop
}

func stoppedBy(t *played) map[string]timeline {
	out := map[string]timeline{}
	for _, s := range t.replay.States {
		out[s.Machine] = append(out[s.Machine], change{s.From, s.State == advise.Stop})
	}
	return out
}

// arcsWithin is how many arcs a machine truly burns in advise.PlanDays, 1 at least.
func arcsWithin(t *played, name string) int64 {
	m := t.truth[name]
	var burnt, before int64
	days := int64(0)
	for at := t.start; !at.After(t.end); at = at.AddDate(0, 0, 1) {
		now := m.At(at).Arcs
		burnt += max(now-before, 0) // a new pair begins at none
		before = now
		days++
	}
	return max(advise.PlanDays*burnt/max(days, 1), 1)
}

func number(yes bool) int {
	if yes {
		return 1
	}
	return 0
}
