package model

import (
	"math"
	"time"

	"arcdrift/drift/air"
)

// Machines are mostly checked in the morning and splice all day, in warmer and thinner
// air. The temperature is taken to go through the day as a cosine, highest eight hours
// after the machine's day begins; when that is and how large the amplitude is is learnt
// from its own records, whatever their time zone.

// Daytime is a machine's usual day.
type Daytime struct {
	// Begin is when it begins, in hours of its zone from midnight. Work lasts from an hour
	// before to twelve hours after.
	Begin float64
	// Amplitude is how much warmer the air is at its warmest than on the day's average, in
	// degrees, SD the doubt about it.
	Amplitude, SD float64
	zone          *time.Location
}

const (
	// Before any record the day begins at seven.
	usualBegin = 7.0
	// The prior of the amplitude, in degrees. From memory: outdoors in temperate places
	// the day is 5 to 12 degrees warmer than the night, an amplitude of 3 to 6; machines
	// stand in vans and tents, into which half of that may come.
	usualWarmth, warmthSD = 2.0, 1.5
	// weatherSD is how much two readings of neighbouring days differ otherwise. A guess.
	weatherSD = 3.0
	// neighbours lie at most so far apart, and tell if their hours differ by so much of
	// the cosine.
	neighbours = 30 * time.Hour
	apart      = 0.3
	// night is the least pause before the first attempt of a day; mornings is how many of
	// them usualBegin counts for.
	night    = 8 * time.Hour
	mornings = 3
)

// LearnDaytime learns from the attempts of one machine in time order; site tells where it
// was.
func LearnDaytime(events []Event, zone *time.Location, site func(time.Time) string) Daytime {
	d := Daytime{zone: zone}
	d.begins(events)
	precision := 1 / sq(warmthSD)
	sum := usualWarmth * precision
	var last *Event
	for i := range events {
		ev := &events[i]
		if ev.Kind != Attempt || !ev.NewSession || ev.AirStale || ev.Air == [airTerms]float64{} {
			continue
		}
		if last != nil && ev.Time.Sub(last.Time) <= neighbours && site(ev.Time) == site(last.Time) {
			if x := d.Phase(ev.Time) - d.Phase(last.Time); math.Abs(x) > apart {
				y := degrees * (ev.Air[airTerms-1] - last.Air[airTerms-1])
				precision += sq(x / weatherSD)
				sum += x * y / sq(weatherSD)
			}
		}
		last = ev
	}
	d.Amplitude, d.SD = max(sum/precision, 0), 1/math.Sqrt(precision)
	return d
}

// begins learns when the day begins: the circular mean of the hours of first attempts.
func (d *Daytime) begins(events []Event) {
	turn := func(hour float64) (float64, float64) { return math.Sincos(2 * math.Pi * hour / day) }
	sin, cos := turn(usualBegin)
	sin, cos = mornings*sin, mornings*cos
	var last time.Time
	for i := range events {
		ev := &events[i]
		if ev.Kind != Attempt || !ev.NewSession {
			continue
		}
		if ev.Time.Sub(last) > night {
			s, c := turn(d.hour(ev.Time))
			sin, cos = sin+s, cos+c
		}
		last = ev.Time
	}
	d.Begin = math.Mod(math.Atan2(sin, cos)*day/(2*math.Pi)+day, day)
}

// degrees are those of one unit of the last of the [Regressors]; day has so many hours.
const (
	degrees = 10.0
	day     = 24.0
)

// Phase is the part of the amplitude by which the air is warmer than on the day's
// average, from −1 to 1.
func (d *Daytime) Phase(t time.Time) float64 { return math.Cos(d.angle(d.hour(t))) }

// Hours counts working hours between two hours of one day.
func (d *Daytime) Hours(from, to float64) (sum float64) {
	for _, turn := range turns {
		a, b := d.worked(from, to, turn)
		sum += max(b-a, 0)
	}
	return sum
}

// turns are the days before, of and after a moment, in hours: work may go over midnight.
var turns = [...]float64{-day, 0, day}

// worked is the part of some hours that was worked on the day of a turn.
func (d *Daytime) worked(from, to, turn float64) (float64, float64) {
	const before, after = 1, 12
	return max(from, d.Begin-before+turn), min(to, d.Begin+after+turn)
}

// WorkPhase is the mean of Phase over the working hours from one moment to another, of
// the same local day; over all hours where none of them are.
func (d *Daytime) WorkPhase(from, to time.Time) float64 {
	begin := d.hour(from)
	end := begin + to.Sub(from).Hours()
	sum, hours := 0.0, 0.0
	for _, turn := range turns {
		if a, b := d.worked(begin, end, turn); a < b {
			sum += (math.Sin(d.angle(b)) - math.Sin(d.angle(a))) * day / (2 * math.Pi)
			hours += b - a
		}
	}
	if hours == 0 {
		return d.Phase(from.Add(to.Sub(from) / 2))
	}
	return sum / hours
}

// hour is the local time of a day, in hours.
func (d *Daytime) hour(t time.Time) float64 {
	local := t.In(d.zone)
	return float64(local.Hour()) + float64(local.Minute())/60
}

// angle is that of the cosine.
func (d *Daytime) angle(hour float64) float64 {
	const warmest = 8 // hours after the day begins
	return 2 * math.Pi * (hour - d.Begin - warmest) / day
}

// Warmed is the air of an attempt as it was at another phase.
func (d *Daytime) Warmed(ev *Event, phase float64) [airTerms]float64 {
	return Warmer(ev.Air, d.Amplitude*(phase-d.Phase(ev.Time)))
}

// Warmer is the air, as [Regressors], so many degrees warmer, with the pressure and the
// share of vapour that it had.
func Warmer(at [airTerms]float64, by float64) [airTerms]float64 {
	const zeroC = 273.15
	t := air.ReferenceTemperatureC + degrees*at[airTerms-1] + zeroC
	at[0] += 100 * math.Log((t+by)/t)
	at[airTerms-1] += by / degrees
	return at
}
