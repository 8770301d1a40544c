package advise

import (
	"time"

	"arcdrift/drift"
)

// Trace is what the model saw and estimated of one machine over the life of the
// pairs it wore: the numbers behind a chart.
type Trace struct {
	Points []Point
	// Fan is the forecast of required power at reference air over coming arcs of
	// the present pair; empty without data.
	Fan   []FanPoint
	Marks []Mark
	// Limit is how far the machine can go, in percent, if known.
	Limit drift.Opt[float64]
}

// Point is one attempt.
type Point struct {
	ID   string
	Time time.Time
	// Pair counts the electrode pairs of this machine from 0; Arcs is the count
	// on that pair.
	Pair int
	Arcs int64
	// Raw is the required power as measured in the air of that day, Reference
	// the same at reference air; unknown where the grade of data does not contain it.
	Raw, Reference drift.Opt[float64]
	// Level and SD are the model's required power at reference air after this
	// attempt, in percent.
	Level, SD float64
	// Scatter is the model's spread of required power from try to try then, in
	// percent.
	Scatter float64
	Attempt int64
	Passed  bool
	// Conditioning marks the first arcs of a new pair, BadEnd an attempt the
	// model holds to be a bad fibre end (probability above one half).
	Conditioning, BadEnd bool
}

// FanPoint is the forecast at so many arcs on the pair: quantiles in percent.
type FanPoint struct {
	Arcs          int64
	P10, P50, P90 float64
}

// Mark is what happened to a machine beside its attempts.
type Mark struct {
	Time time.Time
	Pair int
	Arcs int64
	// What is cleaned, replaced, inspected, unlogged (a fallen counter) or moved (to another
	// site); pages add others.
	What string
}
