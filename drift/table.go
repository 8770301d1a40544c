package drift

// fields is the field table. To add a field: a row here, a struct field in
// record.go, and a row in testdata/wire/README.md; a test names the row.
var fields = []Field{
	{Name: "type", Kind: Text, Words: words(Types()), ref: func(r *Record) any { return (*string)(&r.Type) }},
	{Name: "id", Kind: Text, ref: func(r *Record) any { return &r.ID }},
	{Name: "machine", Kind: Text, ref: func(r *Record) any { return &r.Machine }},
	{Name: "model", Kind: Text, ref: func(r *Record) any { return &r.Model }},
	{Name: "program", Kind: Text, ref: func(r *Record) any { return &r.Program }},
	{Name: "site", Kind: Text, ref: func(r *Record) any { return &r.Site }},
	{Name: "operator", Kind: Text, ref: func(r *Record) any { return &r.Operator }},
	{Name: "time", Kind: Moment, ref: func(r *Record) any { return &r.Time }},
	{Name: "source", Kind: Text, ref: func(r *Record) any { return &r.Source }},
	{Name: "epoch", Kind: Integer, Max: maxOrdinal, ref: func(r *Record) any { return &r.Epoch }},
	{Name: "seq", Kind: Integer, Max: maxOrdinal, ref: func(r *Record) any { return &r.Seq }},
	{Name: "arc_count", Kind: Integer, Unit: "arcs", In: []Type{TypeCalibration, TypeService, TypeUsage}, Max: 10_000_000, ref: func(r *Record) any { return &r.ArcCount }},

	{Name: "session", Kind: Text, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Session }},
	{Name: "attempt", Kind: Integer, In: inCalibration, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Calibration.Attempt }},
	{Name: "attempts", Kind: Integer, In: inCalibration, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Calibration.Attempts }},
	{Name: "passed", Kind: Flag, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Passed }},
	{Name: "meltback_left_um", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.MeltbackLeft }},
	{Name: "meltback_right_um", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.MeltbackRight }},
	{Name: "meltback_target_um", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.Target }},
	{Name: "meltback_tolerance_um", Kind: Number, Unit: "micrometres", In: inCalibration, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Calibration.Tolerance }},
	{Name: "centre_offset_um", Kind: Number, Unit: "micrometres", In: inCalibration, Min: -500, Max: 500, ref: func(r *Record) any { return &r.Calibration.CentreOffset }},
	{Name: "power_setting_pct", Kind: Number, Unit: "percent", In: inCalibration, Min: -60, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerSetting }},
	{Name: "power_correction_pct", Kind: Number, Unit: "percent", In: inCalibration, Min: -60, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerCorrection }},
	{Name: "power_limit_pct", Kind: Number, Unit: "percent", In: inCalibration, OpenMin: true, Max: 60, ref: func(r *Record) any { return &r.Calibration.PowerLimit }},
	{Name: "temperature_c", Kind: Number, Unit: "degrees Celsius", In: inCalibration, Min: -40, Max: 60, ref: func(r *Record) any { return &r.Calibration.Temperature }},
	{Name: "humidity_pct", Kind: Number, Unit: "percent", In: inCalibration, Max: 100, ref: func(r *Record) any { return &r.Calibration.Humidity }},
	{Name: "altitude_m", Kind: Number, Unit: "metres", In: inCalibration, Min: -430, Max: 6000, ref: func(r *Record) any { return &r.Calibration.Altitude }},
	{Name: "pressure_hpa", Kind: Number, Unit: "hectopascals", In: inCalibration, Min: 400, Max: 1100, ref: func(r *Record) any { return &r.Calibration.Pressure }},
	{Name: "machine_temperature_c", Kind: Number, Unit: "degrees Celsius", In: inCalibration, Min: -40, Max: 80, ref: func(r *Record) any { return &r.Calibration.MachineTemperature }},
	{Name: "trigger", Kind: Text, In: inCalibration, Words: []string{"start-of-day", "moved", "weather", "electrode-service", "other"}, ref: func(r *Record) any { return &r.Calibration.Trigger }},
	{Name: "cleaver", Kind: Text, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Cleaver }},
	{Name: "recleaved", Kind: Flag, In: inCalibration, ref: func(r *Record) any { return &r.Calibration.Recleaved }},

	{Name: "action", Kind: Text, In: inService, Words: words([]Action{Cleaned, Replaced, Inspected}), ref: func(r *Record) any { return (*string)(&r.Service.Action) }},
	{Name: "pair", Kind: Text, In: inService, ref: func(r *Record) any { return &r.Service.Pair }},
	{Name: "finding", Kind: Text, In: inService, Words: words([]Finding{Worn, Dirty, Fine, CleaverFault, OtherFault}), ref: func(r *Record) any { return (*string)(&r.Service.Finding) }},

	{Name: "count", Kind: Integer, Unit: "splices", In: inSplice, Max: 10_000_000, ref: func(r *Record) any { return &r.Splice.Count }},
	{Name: "loss_db", Kind: Number, Unit: "decibels", In: inSplice, Min: -1, Max: 50, ref: func(r *Record) any { return &r.Splice.Loss }},
	{Name: "job", Kind: Text, In: inSplice, ref: func(r *Record) any { return &r.Splice.Job }},

	{Name: "scope", Kind: Text, In: inSetup, Words: words([]Scope{ScopeFleet, ScopeModel, ScopeSite, ScopeMachine}), ref: func(r *Record) any { return (*string)(&r.Setup.Scope) }},
	{Name: "name", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Name }},
	{Name: "attempt_limit", Kind: Integer, In: inSetup, Min: 1, Max: 20, ref: func(r *Record) any { return &r.Setup.AttemptLimit }},
	{Name: "target_um", Kind: Number, Unit: "micrometres", In: inSetup, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Setup.Target }},
	{Name: "tolerance_um", Kind: Number, Unit: "micrometres", In: inSetup, OpenMin: true, Max: 2000, ref: func(r *Record) any { return &r.Setup.Tolerance }},
	{Name: "limit_pct", Kind: Number, Unit: "percent", In: inSetup, OpenMin: true, Max: 60, ref: func(r *Record) any { return &r.Setup.Limit }},
	{Name: "conditioning_arcs", Kind: Integer, Unit: "arcs", In: inSetup, Max: 10_000, ref: func(r *Record) any { return &r.Setup.ConditioningArcs }},
	{Name: "warm_up_minutes", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 600, ref: func(r *Record) any { return &r.Setup.WarmUp }},
	{Name: "zone", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Zone }},
	{Name: "depot", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.Depot }},
	{Name: "lead_time_days", Kind: Number, Unit: "days", In: inSetup, Max: 365, ref: func(r *Record) any { return &r.Setup.LeadTime }},
	{Name: "spare_pairs", Kind: Integer, Unit: "pairs", In: inSetup, Max: 100_000, ref: func(r *Record) any { return &r.Setup.SparePairs }},
	{Name: "check_minutes", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 1440, ref: func(r *Record) any { return &r.Setup.CheckMinutes }},
	{Name: "out_minutes", Kind: Number, Unit: "minutes", In: inSetup, OpenMin: true, Max: 100_000, ref: func(r *Record) any { return &r.Setup.OutMinutes }},
	{Name: "retired", Kind: Flag, In: inSetup, ref: func(r *Record) any { return &r.Setup.Retired }},
	{Name: "renamed_to", Kind: Text, In: inSetup, ref: func(r *Record) any { return &r.Setup.RenamedTo }},

	{Name: "corrects", Kind: Text, In: inCorrection, ref: func(r *Record) any { return &r.Correction.Corrects }},
	{Name: "reason", Kind: Text, In: inCorrection, ref: func(r *Record) any { return &r.Correction.Reason }},
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

// maxOrdinal is the largest whole number that JSON readers agree on
// (RFC 8259, section 6).
const maxOrdinal = 1<<53 - 1

var (
	inCalibration = []Type{TypeCalibration}
	inService     = []Type{TypeService}
	inSplice      = []Type{TypeSplice}
	inSetup       = []Type{TypeSetup}
	inCorrection  = []Type{TypeCorrection}
)

func words[T ~string](values []T) []string {
	out := make([]string, len(values))
	for i, v := range values {
		out[i] = string(v)
	}
	return out
}
