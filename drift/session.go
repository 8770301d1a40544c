package drift

import "time"

// SessionGap is the pause after which an attempt without a session name begins
// a new session.
const SessionGap = 60 * time.Minute

// Sessions finds, record by record, which attempts belong together. The zero
// value is ready; feed it one machine's entries in order. Its fields are its
// memory, so that it can be kept.
type Sessions struct {
	Open    bool // a session has begun and no service has ended it
	Over    bool // it has had its pass
	Name    string
	Attempt int64
	Last    time.Time
}

// Place is the place of an attempt in its session.
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
		s.Open = false // but not a named one, whose sender knows what belongs together
	}
	c := e.Calibration
	if c == nil {
		return Place{}, false
	}
	fresh := s.begins(c, e.When())
	attempt := s.Attempt + 1
	if fresh {
		attempt = c.Attempts.Or(1)
	}
	attempt = c.Attempt.Or(attempt)
	*s = Sessions{Open: true, Over: c.Passed.Or(false) || c.Attempts.Known(), Name: c.Session, Attempt: attempt, Last: e.When()}
	return Place{New: fresh, Attempt: attempt}, true
}

func (s *Sessions) begins(c *Calibration, at time.Time) bool {
	switch {
	case c.Attempts.Known():
		return true
	case c.Session != "":
		return c.Session != s.Name
	case !s.Open || s.Name != "":
		return true
	}
	given, known := c.Attempt.Get()
	return s.Over || at.Sub(s.Last) > SessionGap || known && given <= s.Attempt
}
