package model

import (
	"math"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/air"
)

// Kind says what an event is.
type Kind uint8

// The kinds of event.
const (
	Attempt   Kind = iota
	Cleaned        // the pair was cleaned
	Replaced       // a new pair, logged
	Unlogged       // the counter fell: most likely a new pair that was not logged
	Inspected      // looked at, nothing done
	Usage          // the counter moved, nothing else
)

// airTerms is the number of regressors of the air.
const airTerms = 3

// Event is one step in the life of a machine, as [Machine.Update] takes it.
type Event struct {
	Kind Kind
	Time time.Time
	ID   string
	// Pair numbers the pairs of this machine from 0; Arcs is the count on the pair, Step
	// the arcs since the event before on the same pair.
	Pair       int
	Arcs, Step float64
	// Estimated is whether no counter was ever reported: arcs are estimated from
	// attempts and days.
	Estimated bool
	// Finding is that of the bench at a service.
	Finding drift.Finding

	// The rest belongs to attempts.
	NewSession bool
	Ordinal    int64
	// Tries is above 1 for a whole session in one record: Tries−1 fails first.
	Tries        int64
	Passed       bool
	Conditioning bool
	// Program in use: the last that was reported.
	Program string
	// Cleaver that made the ends, empty if not reported.
	Cleaver string
	// Mean is the meltback in micrometres, mean of both ends; Melt is
	// 100·ln(Mean/target), Side 100·ln(left/right).
	Mean, Melt, Side drift.Opt[float64]
	// Setting in force and the setting after the machine's own correction, in
	// log percent; Correction in percent, as recorded.
	Setting, Next, Correction drift.Opt[float64]
	// Moved is the sum of the corrections of a whole session (Tries above 1), in percent.
	Moved drift.Opt[float64]
	// Clipped is whether the setting is at the machine's limit after the attempt, so that
	// the limit may have cut the correction short.
	Clipped bool
	// Target and Tolerance in micrometres and Limit in percent, as reported.
	Target, Tolerance, Limit drift.Opt[float64]
	// Air has the [Regressors] of the air; AirStale is whether they are of an older
	// reading.
	Air      [airTerms]float64
	AirStale bool
	// NeverTold are the quantities of the air that no record so far has reported.
	NeverTold AirParts
	// Site is where the machine was, as last reported, and Thin the thinness of the air
	// there, 0 if nothing was ever reported of it: see [Sites].
	Site string
	Thin float64
}

// Reader turns the entries of one machine, one at a time and in order, into events.
// Settings may change between entries.
type Reader struct {
	Settings drift.Settings

	sessions drift.Sessions
	pair     int
	arcs     float64 // on this pair
	counter  float64 // as last shown
	base     float64 // counter at the start of the pair, when it was not reset
	fresh    bool    // replaced, and no counter seen since
	seen     bool    // a counter has been seen
	counted  time.Time
	doubted  float64 // a counter reading that no machine could reach, 0 for none
	air      [airTerms]float64
	told     AirParts // what has been reported of it
	stale    bool     // the temperature was, but not with the last record
	pressure float64
	program  string
	site     string
}

// Next returns the event of one entry; it is false for entries that say nothing of the arc
// (splices, setups). The entry is not kept.
func (r *Reader) Next(e *drift.Entry) (Event, bool) {
	ev := Event{Time: e.When(), ID: e.ID}
	place, isAttempt := r.sessions.Next(e)
	switch e.Type {
	case drift.TypeCalibration:
		r.attempt(e, place, &ev)
	case drift.TypeService:
		ev.Kind = map[drift.Action]Kind{drift.Cleaned: Cleaned, drift.Replaced: Replaced, drift.Inspected: Inspected}[e.Service.Action]
		ev.Finding = e.Service.Finding
	case drift.TypeUsage:
		ev.Kind = Usage
	default:
		return Event{}, false
	}
	before := r.arcs
	if ev.Kind == Replaced {
		r.replaced(e)
		before = 0
	} else if r.count(e, isAttempt, ev.Tries) {
		// An attempt that shows a fallen counter is the first of the new pair.
		before = 0
		if ev.Kind == Usage {
			ev.Kind = Unlogged
		}
	}
	ev.Pair, ev.Arcs, ev.Step, ev.Estimated = r.pair, r.arcs, max(r.arcs-before, 0), !r.seen
	ev.Conditioning = ev.Kind == Attempt && e.ArcCount.Known() && r.arcs <= float64(r.Settings.ConditioningArcs)
	return ev, true
}

// attempt fills in the event of a calibration.
func (r *Reader) attempt(e *drift.Entry, place drift.Place, ev *Event) {
	c := e.Calibration
	ev.Kind, ev.NewSession, ev.Ordinal = Attempt, place.New, place.Attempt
	ev.Tries = c.Attempts.Or(1)
	ev.Passed = c.Passed.Or(false)
	ev.Cleaver = c.Cleaver
	if e.Program != "" {
		r.program = e.Program
	}
	ev.Program = r.program
	if e.Site != "" {
		r.site = e.Site
	}
	ev.Site = r.site
	left, haveLeft := c.MeltbackLeft.Get()
	right, haveRight := c.MeltbackRight.Get()
	ev.Target = c.Target.OrElse(r.Settings.Target)
	ev.Tolerance = c.Tolerance.OrElse(r.Settings.Tolerance)
	ev.Limit = c.PowerLimit.OrElse(r.Settings.Limit)
	switch {
	case haveLeft && haveRight:
		ev.Mean = drift.Some((left + right) / 2)
	case haveLeft || haveRight:
		ev.Mean = drift.Some(left + right)
	}
	ev.Melt = meltOf(ev.Mean, ev.Target)
	if haveLeft && haveRight {
		ev.Side = drift.Some(100 * math.Log(left/right))
	}
	if ev.Tries == 1 {
		ev.Correction = c.PowerCorrection
	} else {
		ev.Moved = c.PowerCorrection
	}
	if s, ok := c.PowerSetting.Get(); ok {
		ev.Setting = drift.Some(logPct(s))
		after := s // of a whole session the last correction is not known
		dc, ok := ev.Correction.Get()
		if ok {
			after += dc
			ev.Next = drift.Some(logPct(min(max(after, -furthest), furthest)))
		}
		limit, limited := ev.Limit.Get()
		ev.Clipped = limited && (ok || ev.Moved.Known()) && math.Abs(after) >= limit-rounding
	}
	r.readAir(c)
	ev.Air, ev.AirStale, ev.Thin = r.air, r.stale, thinness(r.pressure)
	ev.NeverTold = AirParts{!r.told.Temperature, !r.told.Humidity, !r.told.Pressure}
}

// meltOf returns 100·ln(mean/target), unknown unless both are known.
func meltOf(mean, target drift.Opt[float64]) drift.Opt[float64] {
	m, measured := mean.Get()
	t, aimed := target.Get()
	if !measured || !aimed {
		return drift.Opt[float64]{}
	}
	return drift.Some(100 * math.Log(m/t))
}

// rounding is how far a setting or correction may lie from the recorded one, in percent:
// half of the coarsest last digit.
const rounding = 0.05

// furthest is the distance from nominal that no setting exceeds, in percent: a correction
// beyond it was cut short, or is wrong.
const furthest = 60.0

// readAir keeps the latest air; what a record leaves out stays as last reported.
func (r *Reader) readAir(c *drift.Calibration) {
	pressure := c.Pressure
	if h, ok := c.Altitude.Get(); ok && !pressure.Known() {
		pressure = drift.Some(air.PressureAt(h))
	}
	if r.pressure == 0 {
		r.pressure = air.ReferencePressureHPa
	}
	r.pressure = pressure.Or(r.pressure)
	r.told.Pressure = r.told.Pressure || pressure.Known()
	t, known := c.Temperature.Get()
	// If a machine never reports the air, its effect is in the scatter.
	r.stale = !known && r.told.Temperature
	if !known {
		return
	}
	r.told.Temperature, r.told.Humidity = true, r.told.Humidity || c.Humidity.Known()
	r.air = Regressors(t, c.Humidity.Or(TypicalHumidity), r.pressure, c.MachineTemperature.Or(t))
}

// TypicalHumidity, in percent, is used where only the temperature was measured: the yearly
// mean of many temperate places. From memory.
const TypicalHumidity = 65.0

// Regressors returns the terms by which the air affects required power: −100·ln δ with
// the relative density δ, the humidity excess in g/m³, and the machine's temperature
// above 20 °C in tens of degrees.
func Regressors(temperatureC, humidityPct, pressureHPa, machineC float64) [airTerms]float64 {
	t := air.TermsOf(temperatureC, humidityPct, pressureHPa)
	return [airTerms]float64{-100 * t.LnDensity, t.HumidityExcess, (machineC - air.ReferenceTemperatureC) / 10}
}

// count updates the counter and says whether it fell so far that a new pair must have
// been fitted. Without a counter an attempt counts its own arcs; if none was ever
// reported, the days since the record before count as quiet ones.
func (r *Reader) count(e *drift.Entry, attempt bool, tries int64) (fell bool) {
	shown, known := e.ArcCount.Get()
	if !known {
		if attempt {
			r.arcs += float64(tries)
			r.counter += float64(tries)
		}
		if !r.seen {
			r.arcs += r.idle(e.When())
		}
		return false
	}
	now := float64(shown)
	switch {
	case r.fresh:
		// A counter that went on counting was not reset with the pair.
		r.base = 0
		if now >= r.counter && r.seen {
			r.base = r.counter
		}
		r.fresh = false
	case r.seen && now < r.counter/2 && e.Type == drift.TypeService:
		// The bench reset the counter without fitting a pair: the pair keeps its age.
		r.base = now - r.arcs
	case r.seen && now < r.counter/2:
		r.pair++
		r.base = 0
		fell = true
	case now < r.counter:
		// Misread, or a late record: the pair keeps its age.
		return false
	case !e.Counts.Or(false) && r.leaps(now, e.When()):
		return false
	}
	r.counter, r.seen, r.counted = now, true, e.When()
	r.doubted = 0
	r.arcs = now - r.base
	return fell
}

// idle estimates the arcs of the days since the last record, a week's at most.
func (r *Reader) idle(now time.Time) float64 {
	const most = 7
	days := 0.0
	if !r.counted.IsZero() {
		days = min(max(now.Sub(r.counted).Hours()/24, 0), most)
	}
	r.counted = now
	return sessionArcs * days
}

// leaps says whether a counter has risen further than a machine can, as with a digit too
// many: then the pair keeps its age until the next reading confirms it.
func (r *Reader) leaps(now float64, at time.Time) bool {
	most := drift.MostArcs(at.Sub(r.counted))
	if !r.seen || now <= r.counter+most || r.doubted > 0 && now >= r.doubted {
		return false
	}
	r.doubted = now
	return true
}

func (r *Reader) replaced(e *drift.Entry) {
	if shown, ok := e.ArcCount.Get(); ok && float64(shown) >= r.counter {
		r.counter, r.seen = float64(shown), true
	}
	r.counted = e.When()
	r.pair++
	r.arcs, r.fresh = 0, true
}

// logPct is 100·ln(1 + s/100).
func logPct(s float64) float64 { return 100 * math.Log1p(s/100) }

// Pct turns log percent into percent.
func Pct(u float64) float64 { return 100 * math.Expm1(u/100) }
