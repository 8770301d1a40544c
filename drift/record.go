package drift

import "time"

// Type says what a record is about.
type Type string

// The seven types of record.
const (
	TypeCalibration Type = "calibration"
	TypeService     Type = "service"
	TypeUsage       Type = "usage"
	TypeSplice      Type = "splice"
	TypeSetup       Type = "setup"
	TypeCorrection  Type = "correction"
	TypeDecision    Type = "decision"
)

// Types lists the seven types in the order people read them.
func Types() []Type {
	return []Type{TypeCalibration, TypeService, TypeUsage, TypeSplice, TypeSetup, TypeCorrection, TypeDecision}
}

// Record is one thing that happened, as its sender reported it. Exactly the body
// that belongs to Type is set; a usage record has none, its arc count says all.
// A record once taken is never changed: a correction is a new record.
type Record struct {
	Type Type
	// ID is made once by the first writer; empty until intake gave one.
	ID string
	// Machine names one splicing machine; empty only in a setup of another scope.
	Machine string
	// Model, Program, Site and Operator are labels of the user's.
	Model, Program, Site, Operator string
	// Time is when it happened, with the sender's offset; zero when the sender
	// had no clock, and then arrival counts.
	Time time.Time
	// Source numbers its own records by Epoch and Seq, which win over its clock.
	Source     string
	Epoch, Seq Opt[int64]
	// ArcCount is the pair's counter (calibration, service, usage).
	ArcCount Opt[int64]
	// Counts says that the record counts as it is, whatever may be asked about
	// it, or that it does not, as when another reports the same. Unknown: it counts,
	// and may be asked about.
	Counts Opt[bool]
	// Extra is the sender's own JSON object, kept as it came; nil when absent.
	Extra []byte

	Calibration *Calibration
	Service     *Service
	Splice      *Splice
	Setup       *Setup
	Correction  *Correction
	Decision    *Decision
}

// Calibration is one attempt (Attempt) or, as a person types it, one whole
// session (Attempts: n−1 fails, then the stated result).
type Calibration struct {
	Session           string
	Attempt, Attempts Opt[int64]
	Passed            Opt[bool]
	// Meltback in micrometres: as measured at both ends, the value aimed at,
	// how far off still passes; CentreOffset is the position of the hot spot.
	MeltbackLeft, MeltbackRight, Target, Tolerance, CentreOffset Opt[float64]
	// Power in percent of the program's nominal: in force during this attempt,
	// the change made after it, the furthest the machine can go.
	PowerSetting, PowerCorrection, PowerLimit Opt[float64]
	// The air around the machine: °C, % relative humidity, metres above sea
	// level, hPa station pressure; and the machine's own temperature, °C.
	Temperature, Humidity, Altitude, Pressure, MachineTemperature Opt[float64]
	Trigger, Cleaver                                              string
	Recleaved                                                     Opt[bool]
}

// Service is what the bench did to the fitted pair.
type Service struct {
	Action Action
	// Pair is the lot or serial of the pair; Finding is what the bench saw.
	Pair    string
	Finding Finding
}

// Action is what was done to the pair.
type Action string

// The three actions of a service.
const (
	Cleaned   Action = "cleaned"
	Replaced  Action = "replaced"
	Inspected Action = "inspected"
)

// Finding is what the bench saw: whether the electrodes were to blame.
type Finding string

// The five findings.
const (
	Worn         Finding = "worn"
	Dirty        Finding = "dirty"
	Fine         Finding = "fine"
	CleaverFault Finding = "cleaver"
	OtherFault   Finding = "other"
)

// Splice reports splices made since the last such record, or of the loss of one that
// another record counts.
type Splice struct {
	Count Opt[int64]
	// Loss is in dB: the splicing machine's estimate, or as measured by Method.
	Loss Opt[float64]
	// Method is how the loss was measured, empty for the machine's estimate, and
	// Direction from which end.
	Method    LossMethod
	Direction LossDirection
	Job       string
	// Label is the user's own name of one splice: measurements of one are averaged.
	Label string
}

// LossMethod is how a loss was measured.
type LossMethod string

// The methods: the splicing machine's own estimate from its cameras, an optical
// time-domain reflectometer, a light source and a power meter.
const (
	Estimated   LossMethod = "estimate"
	OTDR        LossMethod = "otdr"
	LightSource LossMethod = "light-source"
)

// LossDirection is from which end a loss was measured.
type LossDirection string

// The directions: from one end, from the other, or the mean of both.
const (
	AToB     LossDirection = "a-to-b"
	BToA     LossDirection = "b-to-a"
	BothWays LossDirection = "both"
)

// Measured says whether an instrument measured the loss.
func (s *Splice) Measured() bool { return s.Method == OTDR || s.Method == LightSource }

// Made is how many splices the record adds. A measured loss without a count is that
// of a splice counted elsewhere; any other record without one reports one splice.
func (s *Splice) Made() int64 {
	if s.Measured() {
		return s.Count.Or(0)
	}
	return s.Count.Or(1)
}

// Scope says for which machines a setup holds.
type Scope string

// The scopes, widest first; the nearest wins. A table is no machine's: its setup keeps in
// extra how a spreadsheet of that name is read.
const (
	ScopeFleet   Scope = "fleet"
	ScopeModel   Scope = "model"
	ScopeSite    Scope = "site"
	ScopeMachine Scope = "machine"
	ScopeTable   Scope = "table"
)

// Setup is what is known of a fleet, model, site or machine; the latest counts.
// Name is the model's or site's name; a machine's is in Record.Machine.
type Setup struct {
	Scope Scope
	Name  string
	// AttemptLimit is the tries of a session before the electrodes are looked at.
	AttemptLimit Opt[int64]
	// Target, Tolerance in micrometres, Limit in percent.
	Target, Tolerance, Limit Opt[float64]
	ConditioningArcs         Opt[int64]
	// WarmUp is the time constant in minutes with which the machine, in its
	// case, follows the air's temperature.
	WarmUp Opt[float64]
	// Zone is an IANA time zone; Depot is where its spares lie.
	Zone, Depot string
	// Customer is to whom a machine belongs, see [Customers].
	Customer   string
	LeadTime   Opt[float64] // days
	SparePairs Opt[int64]
	// CheckMinutes is what a calibration costs, OutMinutes what being out costs.
	CheckMinutes, OutMinutes Opt[float64]
	// DailyCheck is every how many days a check is due before the first splice: 1
	// where a setup says true, 0 where it says false.
	DailyCheck Opt[int64]
	// Altitude in metres, Latitude and Longitude in degrees (WGS 84) say where a site is.
	Altitude, Latitude, Longitude Opt[float64]
	// BenchPerDay is how many machines the bench takes on a day, BenchDays the weekdays on
	// which it works, as Weekdays reads them.
	BenchPerDay Opt[int64]
	BenchDays   string
	// ClosedDays are the days on which it is closed, as ParseClosed reads them.
	ClosedDays string
	Retired    Opt[bool]
	RenamedTo  string
}

// Correction gives new values to fields of an earlier record. Both are kept.
type Correction struct {
	// Corrects is the id of the record, Reason why.
	Corrects, Reason string
	// Changes are in the order of the field table.
	Changes []Change
}

// Decision is what somebody decided about the splices of one machine, day and job
// that a look-back doubts, or on which day a machine comes to the bench. A later one
// takes the place of one before; both are kept.
type Decision struct {
	Verdict Verdict
	// Day is the machine's local day, as 2006-01-02; Job may be empty.
	Day, Job string
	// Reason is why; Role is in which role it was decided.
	Reason, Role string
	// Chance is the chance of being made outside tolerance that was shown then.
	Chance Opt[float64]
}

// Verdict is what is to be done about doubted splices, or, of a machine, that it comes to
// the bench.
type Verdict string

// The verdicts.
const (
	Accept    Verdict = "accept"
	Remeasure Verdict = "re-measure"
	Redo      Verdict = "redo"
	Bench     Verdict = "bench"
)

// Change is the new value of one field: a string, float64, int64, bool or
// time.Time as the field's kind asks, or nil to say that it is not known.
type Change struct {
	Field string
	Value any
}

// Entry is a record as the agent holds it: with its arrival and the store's own
// numbers.
type Entry struct {
	Record
	// Received is when the agent took it, Via the handler it came through.
	Received time.Time
	Via      string
	// Account is whose record it is: the name under which it came to this agent,
	// "" for none, and, behind a slash each, those under which it had come to the
	// agents that sent it on.
	Account string
	// StoreEpoch and StoreSeq are the store's own order of taking.
	StoreEpoch, StoreSeq uint64
	// PossibleRepeat marks a record that had nothing to distinguish it from a repeat.
	PossibleRepeat bool
	// CorrectedBy are the ids of corrections applied, oldest first. Set on
	// reading, never stored.
	CorrectedBy []string
	// Placed is when it is taken to have happened where the sender's clock cannot
	// be believed, else zero. Set on reading (see [Clocks]), never stored.
	Placed time.Time
}

// When is the best single answer to when it happened: the sender's time, or
// arrival where the sender had no clock or one that cannot be believed.
func (e *Entry) When() time.Time {
	switch {
	case !e.Placed.IsZero():
		return e.Placed
	case e.Time.IsZero():
		return e.Received
	}
	return e.Time
}
