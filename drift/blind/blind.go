// Package blind is what an invented fleet looks like whose author has not read
// the model: records as they reach an agent, and the truth behind them. Its
// generators are packages below it. They know the trade and the contract of the
// records, and nothing else of this project, so that no habit of the model's
// authors is in them.
package blind

import "time"

// World invents a fleet. The same wish gives the same fleet, byte for byte.
type World func(Wish) *Fleet

// Wish says which fleet is wanted. Everything it leaves open is drawn at random
// from Seed: every constant of the fleet, its machines and its people.
type Wish struct {
	Seed     uint64
	Machines int
	Days     int       // length of the history
	Start    time.Time // midnight UTC of its first day

	// Grade, if not empty, is what every machine tells: full, correction or
	// pass-fail, as the contract names them. Else it is drawn for each machine.
	Grade string
	// Typing says how sessions are told.
	Typing Typing
	// Programs, if above 0, is how many programs each machine changes between.
	Programs int
	// EveryDays, if above 0, is the mean number of days between two sessions.
	EveryDays float64
	// Mess adds what people and devices do to records on their way: a session told
	// twice by different means, records that come late or twice, attempts with one
	// time stamp, wrong clocks, slips of units. The fleet behind it is the same.
	Mess bool
}

// Typing says how sessions reach the agent.
type Typing int

// The ways of telling. The fleet behind them is the same.
const (
	AsDrawn      Typing = iota // drawn for each machine
	EachAttempt                // one record for each attempt
	WholeSession               // one record for each session, as a person types it
)

// Fleet is one invented fleet.
type Fleet struct {
	// About lists what was drawn for the fleet, one thing a line.
	About []string
	// Lines are the records in the order in which they reach the agent.
	Lines    []Line
	Machines []Machine
}

// Line is one record as it arrives.
type Line struct {
	Received time.Time
	// JSON is one object as the contract describes it.
	JSON []byte
}

// Machine is the truth of one machine.
type Machine struct {
	Name  string
	Model string
	Grade string
	// WholeSessions is whether one record tells a whole session.
	WholeSessions bool
	// Moves are its arrivals at another place or in other weather, before any
	// calibration there, in time order.
	Moves []Move
	Life
}

// Move is an arrival: At is a moment before the first attempt in the new air.
type Move struct {
	At  time.Time
	Air Air
}

// Air is what somebody would measure around a machine.
type Air struct {
	TemperatureC, HumidityPct, AltitudeM, PressureHPa float64
}

// Condition is how a machine truly stands at a moment.
type Condition struct {
	// Program is the one in use. RequiredPct is the required power at reference air
	// for that program, without the scatter of single attempts, and SettingPct the
	// setting in force, both in linear percent above the program's nominal.
	Program                 string
	RequiredPct, SettingPct float64
	// Arcs are those on the fitted pair.
	Arcs int64
	// Air is what it stands in.
	Air Air
}

// Life answers for any moment of the history. What happened at that moment has
// happened. Left alone means that nobody cleans or replaces the pair from then
// on; ends are well prepared; the machine goes on with its own sessions, moves,
// weather, arcs a day and self-correction.
type Life interface {
	At(at time.Time) Condition
	// Lived is the arcs that the pair fitted at a moment, left alone, burns until
	// the first session that ends without a pass within the attempt limit, by the
	// chance that was this machine's; the horizon if there is none within so many
	// arcs.
	Lived(at time.Time, horizon int64) int64
	// Futures are n draws of the same by one who knows the machine as it stands and
	// every law, but not chance; in rising order.
	Futures(at time.Time, horizon int64, n int, seed uint64) []int64
	// ProbabilityOut is the chance that a well-prepared attempt in this air, at the
	// setting in force at that moment, lands outside the tolerance.
	ProbabilityOut(at time.Time, air Air) float64
	// Electrodes says whether the last session that had begun at a moment would have
	// ended without a pass with well-prepared ends too.
	Electrodes(session time.Time) bool
}
