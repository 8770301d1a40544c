package drift

// fields is the field table. To add a field: a row here and a struct field in
// record.go; go test ./agent/manual -run InStep -update puts it into the manual.
var fields = []Field{
	{Name: "type", Means: "what the record is; over MQTT the topic gives it", Kind: Text, Words: words(Types()), ref: func(r *Record) any { return (*string)(&r.Type) }},
	{Name: "id", Means: "chosen once by the first writer; if missing, it is made from the contents when these have a `time`, a `seq` or a risen `arc_count`, so that sending again is harmless", Kind: Text, ref: func(r *Record) any { return &r.ID }},
	{Name: "machine", Means: "the splicing machine: letters, digits, dot, dash and underscore, starting with a letter or digit; over MQTT the topic gives it", Kind: Text, ref: func(r *Record) any { return &r.Machine }},
	{Name: "model", Means: "its make-and-type label, in your own words; machines of one model are compared with each other", Kind: Text, ref: func(r *Record) any { return &r.Model }},
	{Name: "program", Means: "the fibre program in use", Kind: Text, ref: func(r *Record) any { return &r.Program }},
	{Name: "site", Means: "where it was", Kind: Text, ref: func(r *Record) any { return &r.Site }},
	{Name: "operator", Means: "who did it", Kind: Text, Person: true, ref: func(r *Record) any { return &r.Operator }},
	{Name: "time", Means: "when it happened, RFC 3339 with the offset from UTC; a live MQTT sender without a clock may omit it", Kind: Moment, ref: func(r *Record) any { return &r.Time }},
	{Name: "source", Means: "who counts `epoch` and `seq`", Kind: Text, ref: func(r *Record) any { return &r.Source }},
	{Name: "epoch", Means: "starts a new count of `seq`, for example after a reset of the sender", Kind: Integer, Max: maxOrdinal, ref: func(r *Record) any { return &r.Epoch }},
	{Name: "seq", Means: "the sender's own order; it wins over its clock", Kind: Integer, Max: maxOrdinal, ref: func(r *Record) any { return &r.Seq }},
	{Name: "arc_count", Means: "arcs on the fitted pair, as the machine's counter shows", Kind: Integer, Unit: "arcs", In: []Type{TypeCalibration, TypeService, TypeUsage}, Max: 10_000_000, ref: func(r *Record) any { return &r.ArcCount }},
	{Name: "counts", Means: "false: ignore this record, another one reports the same; true: it is right as it is, do not ask; usually the answer to a question, in a correction", Kind: Flag, In: inLife, ref: func(r *Record) any { return &r.Counts }},

	{Name: "session", Means: "groups attempts; if missing, attempts are grouped by order and time", Kind: Text, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Session }},
	{Name: "attempt", Means: "the number of this attempt within its session", Kind: Integer, In: inCalibration, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Calibration.Attempt }},
	{Name: "attempts", Means: "instead of `attempt`: one record for a whole session in which all attempts before the last failed", Kind: Integer, In: inCalibration, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Calibration.Attempts }},
	{Name: "passed", Means: "what the machine showed; required", Kind: Flag, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Passed }},
	{Name: "meltback_left_um", Means: "how far the left end melted back", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.MeltbackLeft }},
	{Name: "meltback_right_um", Means: "how far the right end melted back", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.MeltbackRight }},
	{Name: "meltback_target_um", Means: "the meltback aimed at", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.Target }},
	{Name: "meltback_tolerance_um", Means: "how far from the target still passes", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.Tolerance }},
	{Name: "centre_offset_um", Means: "position of the hot spot", Kind: Number, Unit: "micrometres", In: inCalibration, Min: -500, Max: 500, ref: func(r *Record) any { return &r.Calibration.CentreOffset }},
	{Name: "power_setting_pct", Means: "arc power in force during the attempt, above nominal", Kind: Number, Unit: "percent", In: inCalibration, Min: -60, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerSetting }},
	{Name: "power_correction_pct", Means: "change made after the attempt; 0 is a value, missing is unknown", Kind: Number, Unit: "percent", In: inCalibration, Min: -60, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerCorrection }},
	{Name: "power_limit_pct", Means: "how far from nominal the machine can go", Kind: Number, Unit: "percent", In: inCalibration, OpenMin: true, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerLimit }},
	{Name: "temperature_c", Means: "air temperature", Kind: Number, Unit: "degrees Celsius", In: inCalibration, Min: -40, Max: 60, ref: func(r *Record) any { return &r.Calibration.Temperature }},
	{Name: "humidity_pct", Means: "relative humidity of the air", Kind: Number, Unit: "percent", In: inCalibration, Max: 100, ref: func(r *Record) any { return &r.Calibration.Humidity }},
	{Name: "altitude_m", Means: "height above sea level; in a setup, that of a site", Kind: Number, Unit: "metres", In: []Type{TypeCalibration, TypeSetup}, Min: -430, Max: 6000, ref: func(r *Record) any { return r.altitude() }},
	{Name: "pressure_hpa", Means: "station pressure, not reduced to sea level; it wins over the altitude", Kind: Number, Unit: "hectopascals", In: inCalibration, Min: 400, Max: 1100, ref: func(r *Record) any { return &r.Calibration.Pressure }},
	{Name: "machine_temperature_c", Means: "the machine's own temperature, if it differs from the air", Kind: Number, Unit: "degrees Celsius", In: inCalibration, Min: -40, Max: 80, ref: func(r *Record) any { return &r.Calibration.MachineTemperature }},
	{Name: "trigger", Means: "why it was made", Kind: Text, In: inCalibration, Words: []string{"start-of-day", "moved", "weather", "electrode-service", "other"}, ref: func(r *Record) any { return &r.Calibration.Trigger }},
	{Name: "cleaver", Means: "which cleaver was used", Kind: Text, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Cleaver }},
	{Name: "recleaved", Means: "whether this attempt had fresh ends", Kind: Flag, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Recleaved }},

	{Name: "action", Means: "what was done to the pair; required", Kind: Text, In: inService, Words: words([]Action{Cleaned, Replaced, Inspected}), ref: func(r *Record) any { return (*string)(&r.Service.Action) }},
	{Name: "pair", Means: "lot or serial of the pair", Kind: Text, In: inService, ref: func(r *Record) any { return &r.Service.Pair }},
	{Name: "finding", Means: "what the bench saw", Kind: Text, In: inService, Words: words([]Finding{Worn, Dirty, Fine, CleaverFault, OtherFault}), ref: func(r *Record) any { return (*string)(&r.Service.Finding) }},

	{Name: "count", Means: "splices since the last such record; required, but may be left out where a measured loss is that of a splice counted elsewhere", Kind: Integer, Unit: "splices", In: inSplice, Max: 10_000_000, ref: func(r *Record) any { return &r.Splice.Count }},
	{Name: "loss_db", Means: "loss of a splice: the machine's estimate, or as `loss_method` says", Kind: Number, Unit: "decibels", In: inSplice, Min: -1, Max: 50, ref: func(r *Record) any { return &r.Splice.Loss }},
	{Name: "loss_method", Means: "how the loss was measured; left out, it is the splicing machine's estimate", Kind: Text, In: inSplice, Words: words([]LossMethod{Estimated, OTDR, LightSource}), ref: func(r *Record) any { return (*string)(&r.Splice.Method) }},
	{Name: "loss_direction", Means: "from which end it was measured, or that the value is the mean of both directions; required with a measured loss", Kind: Text, In: inSplice, Words: words([]LossDirection{AToB, BToA, BothWays}), ref: func(r *Record) any { return (*string)(&r.Splice.Direction) }},
	{Name: "job", Means: "the job they belong to", Kind: Text, In: []Type{TypeSplice, TypeDecision}, ref: func(r *Record) any { return r.job() }},
	{Name: "splice", Means: "your own name of one splice: measurements of one name and job are averaged over both directions", Kind: Text, In: inSplice, ref: func(r *Record) any { return &r.Splice.Label }},

	{Name: "scope", Means: "what the setup is about; the nearest scope wins, within one scope the latest", Kind: Text, In: inSetup, Words: words([]Scope{ScopeFleet, ScopeModel, ScopeSite, ScopeMachine, ScopeTable}), ref: func(r *Record) any { return (*string)(&r.Setup.Scope) }},
	{Name: "name", Means: "which model, site, machine or table", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Name }},
	{Name: "attempt_limit", Means: "attempts without a pass after which a session is given up", Kind: Integer, In: inSetup, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Setup.AttemptLimit }},
	{Name: "target_um", Means: "meltback aimed at, if calibrations do not give it", Kind: Number, Unit: "micrometres", In: inSetup, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Setup.Target }},
	{Name: "tolerance_um", Means: "its tolerance, if calibrations do not give it", Kind: Number, Unit: "micrometres", In: inSetup, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Setup.Tolerance }},
	{Name: "limit_pct", Means: "how far from nominal the machine can go, if calibrations do not give it", Kind: Number, Unit: "percent", In: inSetup, OpenMin: true, Max: 60, ref: func(r *Record) any { return &r.Setup.Limit }},
	{Name: "conditioning_arcs", Means: "first arcs of a new pair, which are kept out of the fit", Kind: Integer, Unit: "arcs", In: inSetup, Max: 10_000, ref: func(r *Record) any { return &r.Setup.ConditioningArcs }},
	{Name: "warm_up_minutes", Means: "time in which a machine covers two thirds of the difference to the temperature of a place", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 600, ref: func(r *Record) any { return &r.Setup.WarmUp }},
	{Name: "zone", Means: "time zone, like Europe/Oslo", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Zone }},
	{Name: "depot", Means: "where the spare pairs are kept", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Depot }},
	{Name: "customer", Means: "to which contractor the machine belongs, on a hub that serves several; an account that is limited to a customer sees its machines only; in setups of a machine", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Customer }},
	{Name: "lead_time_days", Means: "time until ordered pairs arrive", Kind: Number, Unit: "days", In: inSetup, Max: 365, ref: func(r *Record) any { return &r.Setup.LeadTime }},
	{Name: "spare_pairs", Means: "pairs held", Kind: Integer, Unit: "pairs", In: inSetup, Max: 100_000, ref: func(r *Record) any { return &r.Setup.SparePairs }},
	{Name: "check_minutes", Means: "what a check costs, in minutes", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 1440, ref: func(r *Record) any { return &r.Setup.CheckMinutes }},
	{Name: "out_minutes", Means: "what splicing out of tolerance costs, in minutes", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 100_000, ref: func(r *Record) any { return &r.Setup.OutMinutes }},
	{Name: "daily_check", Means: "whether the first splice of a day needs a check before it, or every how many days; the check after electrode work remains", Kind: Days, Unit: "days", In: inSetup, Max: 365, ref: func(r *Record) any { return &r.Setup.DailyCheck }},
	{Name: "bench_per_day", Means: "how many machines the bench of the depot takes on a day", Kind: Integer, Unit: "machines", In: inSetup, Max: 1000, ref: func(r *Record) any { return &r.Setup.BenchPerDay }},
	{Name: "bench_days", Means: "the weekdays on which it works, like `mon tue wed thu fri`", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.BenchDays }},
	{Name: "closed_days", Means: "days on which it is closed, up to 1,000 bytes: `2026-12-24`, from and to `2026-12-24/2027-01-01`, each year `05-17`", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.ClosedDays }},
	{Name: "latitude_deg", Means: "where a site is, degrees north (WGS 84)", Kind: Number, Unit: "degrees", In: inSetup, Min: -90, Max: 90, ref: func(r *Record) any { return &r.Setup.Latitude }},
	{Name: "longitude_deg", Means: "where a site is, degrees east (WGS 84)", Kind: Number, Unit: "degrees", In: inSetup, Min: -180, Max: 180, ref: func(r *Record) any { return &r.Setup.Longitude }},
	{Name: "retired", Means: "no longer in use", Kind: Flag, In: inSetup, ref: func(r *Record) any { return &r.Setup.Retired }},
	{Name: "renamed_to", Means: "its new name", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.RenamedTo }},

	{Name: "corrects", Means: "id of the record that was wrong; required", Kind: Text, In: inCorrection, ref: func(r *Record) any { return &r.Correction.Corrects }},
	{Name: "reason", Means: "why, up to 500 bytes; required, but for a decision to re-measure or to redo", Kind: Text, In: []Type{TypeCorrection, TypeDecision}, ref: func(r *Record) any { return r.reason() }},
	{Name: "verdict", Means: "what is to be done about splices that a look-back doubts, or `bench`: the machine comes to the bench; required", Kind: Text, In: inDecision, Words: words([]Verdict{Accept, Remeasure, Redo, Bench}), ref: func(r *Record) any { return (*string)(&r.Decision.Verdict) }},
	{Name: "day", Means: "the local day on which they were made, or on which the machine comes to the bench, like 2026-03-02; required", Kind: Text, In: inDecision, ref: func(r *Record) any { return &r.Decision.Day }},
	{Name: "chance_out", Means: "the chance of being made outside tolerance that the decision rests on", Kind: Number, Unit: "", In: inDecision, Max: 1, ref: func(r *Record) any { return &r.Decision.Chance }},
	{Name: "role", Means: "in which role it was decided", Kind: Text, In: inDecision, ref: func(r *Record) any { return &r.Decision.Role }},
}

// fieldsOf is the table by type.
var fieldsOf = func() map[Type][]*Field {
	out := map[Type][]*Field{}
	for _, t := range Types() {
		for i := range fields {
			if fields[i].Applies(t) {
				out[t] = append(out[t], &fields[i])
			}
		}
	}
	return out
}()

// personFields are the rows that name people; they stand in records of every type.
var personFields = func() []*Field {
	var out []*Field
	for i := range fields {
		if fields[i].Person {
			out = append(out, &fields[i])
		}
	}
	return out
}()

// maxOrdinal is the largest whole number that JSON readers agree on
// (RFC 8259, section 6).
const maxOrdinal = 1<<53 - 1

var (
	inCalibration = []Type{TypeCalibration}
	inLife        = []Type{TypeCalibration, TypeService, TypeUsage, TypeSplice, TypeSetup}
	inService     = []Type{TypeService}
	inSplice      = []Type{TypeSplice}
	inSetup       = []Type{TypeSetup}
	inCorrection  = []Type{TypeCorrection}
	inDecision    = []Type{TypeDecision}
)

// altitude, job and reason stand in records of two types.
func (r *Record) altitude() *Opt[float64] {
	if r.Setup != nil {
		return &r.Setup.Altitude
	}
	return &r.Calibration.Altitude
}

func (r *Record) job() *string {
	if r.Decision != nil {
		return &r.Decision.Job
	}
	return &r.Splice.Job
}

func (r *Record) reason() *string {
	if r.Decision != nil {
		return &r.Decision.Reason
	}
	return &r.Correction.Reason
}

func words[T ~string](values []T) []string {
	out := make([]string, len(values))
	for i, v := range values {
		out[i] = string(v)
	}
	return out
}
