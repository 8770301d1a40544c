package drifttest

import "arcdrift/drift"

// Whole returns the sessions of a fleet as a person types them: one record
// each, with the last try's numbers and the sum of the corrections.
func Whole(records []drift.Record) []drift.Record {
	var out []drift.Record
	at := map[string]int{} // the last calibration of each machine in out
	for _, r := range records {
		if r.Calibration == nil {
			out = append(out, r)
			continue
		}
		c := *r.Calibration
		n := c.Attempt.Or(1)
		c.Attempt, c.Attempts, c.Session = drift.Opt[int64]{}, drift.Some(n), ""
		r.Calibration = &c
		if n == 1 {
			at[r.Machine] = len(out)
			out = append(out, r)
			continue
		}
		before := &out[at[r.Machine]]
		if sum, ok := before.Calibration.PowerCorrection.Get(); ok {
			c.PowerCorrection = drift.Some(sum + c.PowerCorrection.Or(0))
		}
		*before = r
	}
	return out
}
