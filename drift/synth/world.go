package synth

// World is a kind of fleet: its models, its sites and its people. Rates are
// chances between 0 and 1 unless a unit is given.
type World struct {
	// Name is short; About says in one sentence what is special.
	Name, About string
	Models      []Model
	Sites       []Site
	Grades      Mix
	// ArcsPerDay is the median machine's arcs on a working day, ArcsSpread the
	// spread of ln between machines, DaySpread that between days of one machine.
	ArcsPerDay, ArcsSpread, DaySpread float64
	// Usage is the share of machines that send their counter every evening.
	Usage float64
	// Splices is the share of machines that report the number of splices every evening.
	Splices float64
	// Barometers is the share of machines that report station pressure.
	Barometers float64
	// Seldom is the share of machines that calibrate on Mondays and Thursdays only,
	// Heavy that of machines with about 300 arcs a working day.
	Seldom, Heavy float64
	// CheckEvery is how many days lie between the calibrations at the start of a day, the
	// first on a day that differs from machine to machine; 0 is every day.
	CheckEvery int
	// FirstWear is the most that a first pair has burnt before day 0, as a part of its
	// model's ScatterArcs.
	FirstWear float64
	// MoveRate is the chance that a working day has a change of site, MoveChecked the
	// chance that the crew then calibrates.
	MoveRate, MoveChecked float64
	Ends                  Ends
	Bench                 Bench
}

// Mix has the shares of machines by grade of data; the rest report pass or fail only.
// Typed is the share of these that write one record for a whole session.
type Mix struct{ Full, Correction, Typed float64 }

// Ends describes how fibre ends are prepared.
type Ends struct {
	// BadEnd is the chance of an attempt to have a bad end, BluntBadEnd the
	// same with a blunt cleaver.
	BadEnd, BluntBadEnd float64
	// BluntEvery is the mean number of days until a cleaver goes blunt, BluntDays
	// the mean number it stays so.
	BluntEvery, BluntDays float64
	// Pool is how many cleavers all machines share: each takes one for a week. 0 is a
	// cleaver of its own for each. The first Dull of them are always blunt.
	Pool, Dull int
}

// Bench describes what follows sessions without a pass.
type Bench struct {
	// Patience is the chance that a crew goes on after a first session without a pass;
	// after a second one in a row it always calls the bench.
	Patience float64
	// Cleans is how often a pair is cleaned before it is replaced.
	Cleans int
	// ReplaceAt is the arcs at which a pair is replaced as planned; 0 is never.
	ReplaceAt int64
	// Unlogged is the chance that a service is not recorded, KeptCounter the chance that
	// the counter is not reset at a replacement.
	Unlogged, KeptCounter float64
}

// Site is a place and its climate.
type Site struct {
	Name string
	// AltitudeM in metres; MeanC, SeasonC, DayC in °C: the year's mean and the
	// amplitudes of season and day; HumidityPct is the mean relative humidity.
	AltitudeM, MeanC, SeasonC, DayC, HumidityPct float64
	// Dirt multiplies the model's rate of contamination.
	Dirt float64
}

// Spread is a population: a normal distribution.
type Spread struct{ Mean, SD float64 }

// Model is a population of machines of one type, and of their pairs.
type Model struct {
	Name, Program string
	// Share of the fleet, relative to the other models'.
	Share float64
	// Target and Tolerance in micrometres, Limit in percent.
	Target, Tolerance, Limit float64
	AttemptLimit             int
	// Kappa is d ln(meltback)/d ln(power) over machines, BelievedKappa the value that
	// their firmware uses.
	Kappa         Spread
	BelievedKappa float64
	// Gain is the part of the estimated error that is corrected after a fail,
	// PassGain after a pass (0: the machine corrects after fails only). From
	// FirmwareDay on, if not 0, FirmwareGain takes the place of Gain.
	Gain, PassGain, FirmwareGain float64
	FirmwareDay                  int
	// Density is a in ln(required power) = -a·ln δ; Humidity in log-percent per
	// g/m³ of excess; Temperature in log-percent per °C. Over machines.
	Density, Humidity, Temperature Spread
	// Offset is the level of a new pair in log-percent, over pairs.
	Offset Spread
	// Slope is the wear in log-percent per 1000 arcs over the first 2000, over
	// pairs; Bend is the power of arcs in which it grows: 1 is straight.
	Slope Spread
	Bend  float64
	// Wander is the random walk of the level, log-percent per √(1000 arcs).
	Wander float64
	// Scatter is that of a new pair in log-percent; it doubles at ScatterArcs and
	// grows with the power ScatterBend of arcs; ScatterSpread is the spread of ln
	// between pairs.
	Scatter, ScatterArcs, ScatterBend, ScatterSpread float64
	// DirtRate is contaminations per 1000 arcs; DirtLevel and DirtScatter are
	// their median steps in log-percent.
	DirtRate, DirtLevel, DirtScatter float64
	// CleanTakes is the part of dirt and deposit that the first cleaning takes
	// off, each later one CleanFades times as much as the one before.
	CleanTakes, CleanFades float64
	// Conditioning is the arcs in which a new pair settles; NewOffset (log-percent)
	// and NewScatter (a factor) are what it adds at its first arc.
	Conditioning          int64
	NewOffset, NewScatter float64
	// Law has what differs in form from all that.
	Law Law
}
