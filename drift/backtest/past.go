package backtest

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Past is one machine by its records until a moment.
type Past struct {
	model.History
	Settings drift.Settings
	// Calibrations has, for each event, the calibration that it came from, with trigger
	// and air as recorded; nil for events of another kind.
	Calibrations []*drift.Calibration
}

// failures returns those on record; down is whether the pair is down at the end.
func (p *Past) failures() (all []forecast.Failure, down bool) {
	return p.failuresOf(func(time.Time) bool { return true })
}

// failuresOf leaves out sessions that were given up for another reason than the
// electrodes.
func (p *Past) failuresOf(electrodes func(session time.Time) bool) (all []forecast.Failure, down bool) {
	return forecast.Failures(&p.History, electrodes)
}

// fate is what became of the pair that was fitted at a moment, for scoring.
type fate struct {
	// arcs and days from the moment to the first failure, or, if censored, to where the
	// pair was serviced or its records end.
	arcs, days float64
	censored   bool
}

// least stands for a failure at the next arc: a life must be above 0.
const least = 0.5

// fateAfter returns the fate of the pair fitted at a moment, by all records; false if
// there are none after the moment.
func (p *Past) fateAfter(moment time.Time, failed []forecast.Failure) (fate, bool) {
	f := p.after(p.upTo(moment), failed)
	if f.Until.IsZero() {
		return fate{}, false
	}
	return fate{arcs: max(f.Arcs, least), days: max(days(f.Until.Sub(moment)), least), censored: f.End != EndFailed}, true
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
