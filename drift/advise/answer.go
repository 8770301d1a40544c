// Package advise answers the users' questions as pure functions of what the
// model knows, the forecast and a moment: the state of a machine and whether to
// recalibrate after a move. Words come first, numbers second, each with its
// doubt.
package advise

import (
	"slices"
	"time"

	"arcdrift/drift"
)

// State is the state of a machine.
type State string

// The five states.
const (
	Fit         State = "fit"
	CheckFirst  State = "check-first"
	ServiceSoon State = "service-soon"
	Stop        State = "stop"
	NoData      State = "no-data"
)

// States lists the five, the one that needs somebody most first.
func States() []State { return []State{Stop, CheckFirst, ServiceSoon, NoData, Fit} }

// Action is what to do to the electrodes.
type Action string

// The four actions.
const (
	None    Action = "none"
	Inspect Action = "inspect"
	Clean   Action = "clean"
	Replace Action = "replace"
)

// Grade says how much the records of a machine contain.
type Grade string

// The grades of data.
const (
	Full           Grade = "full"
	CorrectionOnly Grade = "correction"
	PassFail       Grade = "pass-fail"
	NoRecords      Grade = "none"
)

// Assessment is the state of one machine at one moment, with its reasons. Its
// JSON form is fixed; percentages are of the program's nominal power.
type Assessment struct {
	Machine string    `json:"machine"`
	Model   *string   `json:"model"`
	AsOf    time.Time `json:"as_of"`
	State   State     `json:"state"`
	// Reasons are plain sentences, most important first.
	Reasons   []string  `json:"reasons"`
	Data      Data      `json:"data"`
	Drift     Drift     `json:"drift"`
	Air       AirEffect `json:"air"`
	Streak    Streak    `json:"streak"`
	Electrode Electrode `json:"electrode"`
	// Due is the check that the rules of the trade ask for; null for none.
	Due *Due `json:"due"`
	// CheckPays says that a check is worth its cost although none is due: what the site
	// check says in the same air.
	CheckPays bool     `json:"check_pays"`
	Warnings  []string `json:"warnings"`
	// Questions are those among the warnings that a person may answer.
	Questions []drift.Question `json:"questions"`
}

// Ask adds a question, which is a warning too.
func (a *Assessment) Ask(q drift.Question) {
	a.Questions = append(slices.Clip(a.Questions), q)
	a.Warnings = append(slices.Clip(a.Warnings), q.Text)
}

// Data says what the answer rests on.
type Data struct {
	Grade   Grade                `json:"grade"`
	Records int                  `json:"records"`
	Last    drift.Opt[time.Time] `json:"last"`
	Refused int                  `json:"refused"`
}

// Drift is the required power at reference air and how it moves.
type Drift struct {
	RequiredPower drift.Opt[float64] `json:"required_power_pct"`
	SD            drift.Opt[float64] `json:"sd_pct"`
	Per1000Arcs   drift.Opt[float64] `json:"per_1000_arcs_pct"`
	Per1000ArcsSD drift.Opt[float64] `json:"per_1000_arcs_sd_pct"`
	Setting       drift.Opt[float64] `json:"setting_pct"`
	Limit         drift.Opt[float64] `json:"limit_pct"`
	Scatter       drift.Opt[float64] `json:"scatter_pct"`
	// ProbabilityOut is the chance that a well-prepared attempt in the air of the
	// last calibration, at the setting in force, lands outside the tolerance; null
	// where it would rest on a rule of thumb.
	ProbabilityOut drift.Opt[float64] `json:"probability_out"`
}

// AirEffect is the change of required power, in percent, that the air of the
// latest record makes against reference air.
type AirEffect struct {
	Density  drift.Opt[float64] `json:"density_effect_pct"`
	Humidity drift.Opt[float64] `json:"humidity_effect_pct"`
}

// Streak is the run of attempts without a pass that continues now.
type Streak struct {
	Attempts int `json:"attempts"`
	Sessions int `json:"sessions"`
	// ByLuck is the chance of such a run under the machine's own base rate.
	ByLuck drift.Opt[float64] `json:"probability_by_luck"`
	// Cause is null without a streak, and where too few records tell it.
	Cause []Cause `json:"cause"`
}

// Cause is one of the three explanations of a streak with its probability.
type Cause struct {
	Cause       string  `json:"cause"`
	Probability float64 `json:"probability"`
}

// The three causes.
const (
	CauseEnds       = "ends"
	CauseElectrodes = "electrodes"
	CauseAir        = "air"
)

// Electrode is the fitted pair: what it has burnt and what is left.
type Electrode struct {
	Arcs             drift.Opt[int64]   `json:"arcs"`
	ArcsSinceCleaned drift.Opt[int64]   `json:"arcs_since_cleaned"`
	Cleanings        int                `json:"cleanings"`
	ToFailure        *Quantiles         `json:"arcs_to_failure"`
	BeyondHorizon    drift.Opt[float64] `json:"beyond_horizon"`
	HorizonArcs      int64              `json:"horizon_arcs"`
	ArcsPerDay       drift.Opt[float64] `json:"arcs_per_day"`
	Action           Action             `json:"action"`
	// ActBy is a date, yyyy-mm-dd, in the machine's zone.
	ActBy drift.Opt[string] `json:"act_by"`
	// CleanHolds is the chance that a clean lasts to the next bench day.
	CleanHolds drift.Opt[float64] `json:"clean_holds"`
}

// Quantiles of arcs to failure; one beyond the horizon is given as the horizon.
type Quantiles struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

// Move is the question of a crew that has moved: is this machine, in this air,
// to be calibrated again?
type Move struct {
	Machine string
	// Program is the one to be used there, empty for the one in use.
	Program string
	AsOf    time.Time
	// Temperature °C and Humidity % of the air; Altitude in metres or station
	// Pressure in hPa (which wins); the machine's own temperature, °C.
	Temperature, Humidity, Altitude, Pressure, MachineTemperature drift.Opt[float64]
	// Cold is whether the machine is still colder than the air there, as a hand on it
	// tells; unknown where nobody said. A stated temperature of the machine wins.
	Cold  drift.Opt[bool]
	AskID string
}

// Answer is one of four.
type Answer string

// The four answers.
const (
	Recalibrate Answer = "recalibrate"
	Wait        Answer = "wait"
	NoNeed      Answer = "no-need"
	CannotTell  Answer = "cannot-tell"
)

// Evidence says what an answer rests on.
type Evidence string

// The three kinds of evidence, strongest first.
const (
	ThisMachine    Evidence = "this-machine"
	MachinesLikeIt Evidence = "machines-like-it"
	RuleOfThumb    Evidence = "rule-of-thumb"
)

// MoveAnswer answers a Move.
type MoveAnswer struct {
	AskID   string    `json:"ask_id,omitempty"`
	Machine string    `json:"machine"`
	AsOf    time.Time `json:"as_of"`
	Answer  Answer    `json:"answer"`
	// WaitMinutes is null where the warm-up or the machine's temperature is
	// unknown or the air is near saturation.
	WaitMinutes drift.Opt[int] `json:"wait_minutes"`
	// ProbabilityOut is the chance that a well-prepared attempt in the new air,
	// at the setting in force, would land outside the tolerance.
	ProbabilityOut drift.Opt[float64] `json:"probability_out"`
	ExpectedShift  drift.Opt[float64] `json:"expected_shift_pct"`
	SD             drift.Opt[float64] `json:"sd_pct"`
	Evidence       Evidence           `json:"evidence"`
	// CheckDue is the rule of the trade by which a check is due, null for none. The
	// check of the day leaves the answer, which is about the move, as it is.
	CheckDue *DueReason `json:"check_due"`
	// Action is inspect where another calibration would change too little to be
	// worth it: then the electrodes are looked at.
	Action   Action             `json:"action"`
	Reasons  []string           `json:"reasons"`
	DewPoint drift.Opt[float64] `json:"dew_point_c"`
	Cost     Cost               `json:"cost"`
}

// Cost is what a check and what being out costs, in minutes.
type Cost struct {
	CheckMinutes float64 `json:"check_minutes"`
	OutMinutes   float64 `json:"out_minutes"`
}
