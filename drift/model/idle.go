package model

import "math"

// A machine may state corrections that are always 0: it does not correct itself, or its
// sender fills them in. Until it states another, a 0 says nothing of the deviation or of a
// limit, and the more fails it follows, the less the machine is expected to correct.

// idle is what a machine's stated corrections were so far.
type idle struct {
	moved bool // one was not 0
	fails int  // followed by a correction of 0
}

// add takes the corrections of an attempt or a session and says whether they change what is
// expected of the machine.
func (i *idle) add(ev *Event) bool {
	was := *i
	c, stated := ev.Correction.OrElse(ev.Moved).Get()
	switch {
	case !stated || i.moved || ev.Clipped:
	case math.Abs(c) > rounding:
		*i = idle{moved: true}
	case !ev.Passed || ev.Tries > 1:
		i.fails++
	}
	return *i != was
}

// corrects returns the factor by which the machine's gains are below those of its kind.
func (i *idle) corrects() float64 {
	const weight = 5.0 // fails' worth of prior
	return weight / (weight + float64(i.fails))
}

// answered returns the parameters by which an attempt is read.
func (m *Machine) answered(ev *Event) *Params {
	if c, stated := ev.Correction.OrElse(ev.Moved).Get(); !stated || m.idle.moved || math.Abs(c) > rounding {
		return m.params
	}
	still := *m.params
	still.GainFail, still.GainPass = 0, 0
	return &still
}
