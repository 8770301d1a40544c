package advise

import (
	"math"
	"time"

	"arcdrift/drift"
)

// Kept is a [PendingAssessment] with its fields for all to see, so that it can be kept. It
// goes through JSON unharmed.
type Kept struct {
	Answer Assessment
	Last   time.Time
	Gap    float64
	// Days is unknown where nothing is asked.
	Days  drift.Opt[float64]
	By    time.Time
	Pair  string
	Asked []drift.Question
}

// Kept returns the answer without what follows from the machine's settings and checks.
func (w *PendingAssessment) Kept() Kept {
	k := Kept{Answer: w.answer, Last: w.last, Gap: w.gap, By: w.by, Pair: w.pair, Asked: w.asked}
	if !math.IsNaN(w.days) {
		k.Days = drift.Some(w.days)
	}
	return k
}

// Pending is the answer again, with dates in a zone.
func (k *Kept) Pending(rules Rules, zone *time.Location) PendingAssessment {
	return PendingAssessment{answer: k.Answer, last: k.Last, gap: k.Gap, days: k.Days.Or(math.NaN()), by: k.By, zone: zone, pair: k.Pair, rules: rules, asked: k.Asked}
}
