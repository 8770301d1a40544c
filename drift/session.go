package drift

import "time"

// SessionGap is the pause after which an attempt without a session name begins
// a new session.
const SessionGap = 60 * time.Minute

// Sessions tells, record by record, which attempts belong together. The zero
// value is ready; feed it one machine's entries in order.
type Sessions struct {
	open    bool // a session has begun and no service has ended it
	over    bool // it has had its pass
	name    string
	attempt int64
	last    time.Time
}

// Place says where an attempt stands in its session.
type Place struct {
	// New is whether it begins a session.
	New bool
	// Attempt is its ordinal, from 1; for a whole session in one record, the
	// ordinal of the last try.
	Attempt int64
}

// Next takes the next entry and places it if it is a calibration. A new session
// starts when its name changes or, without names, when the attempt does not
// rise, after a pass, after a service, or after SessionGap.
func (s *Sessions) Next(e *Entry) (Place, bool) {
	if e.Type == TypeService {
		s.open = false // but not a named one, whose sender knows what belongs together
	}
	c := e.Calibration
	if c == nil {
		return Place{}, false
	}
	fresh := s.begins(c, e.When())
	attempt := s.attempt + 1
	if fresh {
		attempt = c.Attempts.Or(1)
	}
	attempt = c.Attempt.Or(attempt)
	*s = Sessions{open: true, over: c.Passed.Or(false) || c.Attempts.Known(), name: c.Session, attempt: attempt, last: e.When()}
	return Place{New: fresh, Attempt: attempt}, true
}

func (s *Sessions) begins(c *Calibration, at time.Time) bool {
	switch {
	case c.Attempts.Known():
		return true
	case c.Session != "":
		return c.Session != s.name
	case !s.open || s.name != "":
		return true
	}
	given, known := c.Attempt.Get()
	return s.over || at.Sub(s.last) > SessionGap || known && given <= s.attempt
}
