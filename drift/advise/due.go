package advise

import (
	"math"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/air"
)

// DueReason says by which rule of the trade a check is due.
type DueReason string

// The five reasons, the one that asks most first.
const (
	ElectrodeWork DueReason = "electrode-service"
	FirstUse      DueReason = "first-use"
	Moved         DueReason = "moved"
	Weather       DueReason = "weather"
	StartOfDay    DueReason = "start-of-day"
)

// Due is a check that the rules of the trade ask for: at the beginning of a
// day's use, after a considerable change of air or place, and after electrodes
// were cleaned or replaced (common practice, no source).
type Due struct {
	Reason DueReason `json:"reason"`
	// Since is when it became due.
	Since time.Time `json:"since"`
	// UsedSince is whether the machine has burnt arcs or spliced since; tries of a
	// calibration are no use.
	UsedSince bool `json:"used_since"`
}

// Binds says whether the machine is to be checked before anything else. The
// check of the day waits for the first splice.
func (d *Due) Binds() bool {
	return d != nil && (d.Reason != StartOfDay && d.Reason != FirstUse || d.UsedSince)
}

// Checks is what the rules need to know of a machine: fold its entries in order.
// The zero value is a machine of which nothing is known. Its fields are its
// memory, so that it can be kept.
type Checks struct {
	// First is the time of the first record, Passed of the last pass, and Used of
	// the last arcs burnt or splices made since that and since the last service.
	First, Passed, Used time.Time
	// Attempted is whether there was a calibration.
	Attempted bool
	// Work, Changed and Aired are the first electrode work, change of place and
	// change of the air since the last pass; zero where there was none.
	Work, Changed, Aired time.Time
	// Done is what was done to the electrodes; empty where a fallen counter or the
	// trigger of a calibration showed it.
	Done drift.Action
	// NewPair is whether conditioning is to be thought of.
	NewPair bool
	// Place is the site of the last record that names one, PassedAt that of the
	// last pass; To is where it has gone since.
	Place, PassedAt, To string
	// Temperature, Altitude and Pressure are those of the last pass; Warmer, Higher
	// and Denser by how much the air has changed since, where that is considerable.
	Temperature, Altitude, Pressure, Warmer, Higher, Denser drift.Opt[float64]
	// Pair numbers the pairs as the model does; Arcs is the counter as last shown.
	Pair int
	Arcs drift.Opt[int64]
	// Found is what an inspection found, worn or dirty, that no service has
	// answered yet, and FoundAt when.
	Found   drift.Finding
	FoundAt time.Time
}

// What is a considerable change of air: 300 m or 10 °C (common practice, no
// source), and the pressure that goes with 300 m at sea level. The weather alone
// moves pressure by some 20 hPa either way, which is less.
const (
	considerableMetres  = 300.0
	considerableDegrees = 10.0
)

// Update folds in the next entry. pair is the number of the electrode pair after
// it, as the model counts them.
func (c *Checks) Update(e *drift.Entry, pair int) {
	if e.Setup != nil || e.Correction != nil || e.Decision != nil {
		return
	}
	at := e.When().UTC()
	if c.First.IsZero() {
		c.First = at
	}
	c.place(e, at)
	fell := pair != c.Pair && e.Service == nil
	c.Pair = pair
	c.bench(e, at, fell)
	switch e.Type {
	case drift.TypeCalibration:
		c.calibration(e, at)
	case drift.TypeSplice:
		if e.Splice.Made() > 0 {
			c.Used = at
		}
	case drift.TypeUsage:
		shown, stated := e.ArcCount.Get()
		if before, known := c.Arcs.Get(); !stated || known && shown > before || fell && shown > 0 {
			c.Used = at
		}
	}
	c.Arcs = e.ArcCount.OrElse(c.Arcs)
}

// place notes that the machine was somewhere else than at its last pass.
func (c *Checks) place(e *drift.Entry, at time.Time) {
	if e.Site == "" {
		return
	}
	if c.PassedAt != "" && !strings.EqualFold(e.Site, c.PassedAt) && !strings.EqualFold(e.Site, c.To) {
		c.To = e.Site
		c.Changed = earliest(c.Changed, at)
	}
	c.Place = e.Site
}

// bench notes what was done to the electrodes, and what an inspection found.
func (c *Checks) bench(e *drift.Entry, at time.Time, fell bool) {
	switch s := e.Service; {
	case s != nil && s.Action != drift.Inspected:
		c.Work, c.Done, c.Used = at, s.Action, time.Time{}
		c.NewPair = c.NewPair || s.Action == drift.Replaced
		c.Found = ""
	case s != nil:
		switch s.Finding {
		case drift.Worn, drift.Dirty:
			c.Found, c.FoundAt = s.Finding, at
		case drift.Fine, drift.CleaverFault:
			c.Found = ""
		}
	case fell:
		c.Work, c.Done, c.NewPair, c.Found = at, "", true, ""
	}
}

func (c *Checks) calibration(e *drift.Entry, at time.Time) {
	cal := e.Calibration
	c.Attempted = true
	if cal.Passed.Or(false) {
		c.Passed, c.PassedAt, c.Used = at, c.Place, time.Time{}
		c.Work, c.Changed, c.Aired, c.NewPair, c.Done, c.To = time.Time{}, time.Time{}, time.Time{}, false, "", ""
		c.Temperature, c.Altitude, c.Pressure = cal.Temperature, cal.Altitude, cal.Pressure
		c.Warmer, c.Higher, c.Denser = drift.Opt[float64]{}, drift.Opt[float64]{}, drift.Opt[float64]{}
		return
	}
	switch cal.Trigger {
	case "electrode-service":
		c.Work = earliest(c.Work, at)
	case "moved":
		c.Changed = earliest(c.Changed, at)
	case "weather":
		c.Aired = earliest(c.Aired, at)
	}
	c.air(cal, at)
}

// air compares the air of a calibration that failed with that of the last pass.
func (c *Checks) air(cal *drift.Calibration, at time.Time) {
	if d, ok := considerable(cal.Altitude, c.Altitude, considerableMetres); ok {
		c.Higher, c.Changed = drift.Some(d), earliest(c.Changed, at)
	} else if d, ok := considerable(cal.Pressure, c.Pressure, air.PressureAt(0)-air.PressureAt(considerableMetres)); ok {
		c.Denser, c.Changed = drift.Some(d), earliest(c.Changed, at)
	}
	if d, ok := considerable(cal.Temperature, c.Temperature, considerableDegrees); ok {
		c.Warmer, c.Aired = drift.Some(d), earliest(c.Aired, at)
	}
}

// considerable is a difference of at least so much between two known values.
func considerable(now, then drift.Opt[float64], least float64) (float64, bool) {
	d := now.Or(0) - then.Or(0)
	return d, now.Known() && then.Known() && math.Abs(d) >= least
}

func earliest(was, at time.Time) time.Time {
	if was.IsZero() {
		return at
	}
	return was
}

// Due is the check that is due at a moment, nil for none; of several the one that
// asks most. A local day begins at midnight in the zone. every is the days
// between two daily checks, 0 for none: no setting turns off the others.
func (c *Checks) Due(every int64, zone *time.Location, now time.Time) *Due {
	due := func(reason DueReason, since time.Time) *Due {
		return &Due{Reason: reason, Since: since, UsedSince: !c.Used.Before(since)}
	}
	switch {
	case c.First.IsZero():
		return nil
	case !c.Work.IsZero():
		return due(ElectrodeWork, c.Work)
	case c.Passed.IsZero():
		return due(FirstUse, c.First)
	case !c.Changed.IsZero():
		return due(Moved, c.Changed)
	case !c.Aired.IsZero():
		return due(Weather, c.Aired)
	case every == 0:
		return nil
	}
	since := startOfDay(c.Passed, zone, int(every))
	if now.Before(since) {
		return nil
	}
	if today := startOfDay(now, zone, 0); every == 1 {
		since = today // each day asks anew
	}
	return due(StartOfDay, since)
}

// startOfDay is the midnight, in the zone, of the day so many after t's.
func startOfDay(t time.Time, zone *time.Location, later int) time.Time {
	local := t.In(zone)
	return time.Date(local.Year(), local.Month(), local.Day()+later, 0, 0, 0, 0, zone).UTC()
}
