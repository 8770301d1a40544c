package alert

import (
	"slices"
	"time"
)

// bound takes a state that was kept while the clock was ahead for one of now: no
// moment that has passed lies behind now, and none that is to come further off than
// the policy would put it. Else a clock that was a year ahead once would keep its
// alerts silent for a year. When a case opened stays as it was: it names the case.
func (p *Policy) bound(s State, now time.Time) State {
	next := p.morning(now.Add(time.Second), p.Zone) // as list puts it
	if s.NextList.After(next) {
		s.NextList = next
	}
	s.Cases = slices.Clone(s.Cases)
	for i := range s.Cases {
		c := &s.Cases[i]
		for _, at := range []*time.Time{&c.Since, &c.Gone, &c.Answered, &c.SentAt, &c.Service} {
			if at.After(now) {
				*at = now
			}
		}
		// A zone differs from the policy's by less than a day.
		if c.Due.After(next.Add(24 * time.Hour)) {
			c.Due = next
		}
		if c.Acknowledged != nil && c.Acknowledged.At.After(now) {
			c.Acknowledged = &Acknowledgement{By: c.Acknowledged.By, At: now}
		}
		if c.Silence != nil && c.Silence.Until.Sub(now) > LongestSilence {
			silence := *c.Silence
			silence.Until = now
			c.Silence = &silence
		}
	}
	return s
}
