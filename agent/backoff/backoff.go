// Package backoff says how long to wait before something that failed is tried
// again. The bound of the pause doubles with each failure, and chance shortens the
// pause, so that many agents that lost the same connection do not come back at once
// (Brooker, "Exponential Backoff And Jitter", AWS Architecture Blog, 2015).
package backoff

import "time"

// Pauses are the pauses between attempts. First and Longest are the bounds of the
// first pause and of any. Jitter, 0 to 1, is the share of a pause that chance may
// take away: 1 is Brooker's full jitter, 0.5 his equal jitter.
type Pauses struct {
	First, Longest time.Duration
	Jitter         float64
}

// After is the pause after so many failures in a row, 1 or more; chance is drawn
// uniformly from 0 to 1.
func (p Pauses) After(failures int, chance float64) time.Duration {
	bound := p.First
	for n := 1; n < failures && bound < p.Longest; n++ {
		bound *= 2
	}
	bound = min(bound, p.Longest)
	return bound - time.Duration(p.Jitter*chance*float64(bound))
}
