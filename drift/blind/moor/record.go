package moor

import (
	"encoding/json"
	"math"
	"time"
)

// record is one record with the names of the contract.
type record struct {
	Type      string   `json:"type"`
	ID        string   `json:"id,omitempty"`
	Machine   string   `json:"machine,omitempty"`
	Model     string   `json:"model,omitempty"`
	Program   string   `json:"program,omitempty"`
	Site      string   `json:"site,omitempty"`
	Operator  string   `json:"operator,omitempty"`
	Time      string   `json:"time"`
	Source    string   `json:"source,omitempty"`
	Epoch     *int     `json:"epoch,omitempty"`
	Seq       *int     `json:"seq,omitempty"`
	Session   string   `json:"session,omitempty"`
	Attempt   *int     `json:"attempt,omitempty"`
	Attempts  *int     `json:"attempts,omitempty"`
	Passed    *bool    `json:"passed,omitempty"`
	Left      *float64 `json:"meltback_left_um,omitempty"`
	Right     *float64 `json:"meltback_right_um,omitempty"`
	Target    *float64 `json:"meltback_target_um,omitempty"`
	Tolerance *float64 `json:"meltback_tolerance_um,omitempty"`
	Centre    *float64 `json:"centre_offset_um,omitempty"`
	Setting   *float64 `json:"power_setting_pct,omitempty"`
	Corrected *float64 `json:"power_correction_pct,omitempty"`
	Limit     *float64 `json:"power_limit_pct,omitempty"`
	Arcs      *int64   `json:"arc_count,omitempty"`
	Degrees   *float64 `json:"temperature_c,omitempty"`
	Humidity  *float64 `json:"humidity_pct,omitempty"`
	Altitude  *float64 `json:"altitude_m,omitempty"`
	Pressure  *float64 `json:"pressure_hpa,omitempty"`
	Inside    *float64 `json:"machine_temperature_c,omitempty"`
	Trigger   string   `json:"trigger,omitempty"`
	Cleaver   string   `json:"cleaver,omitempty"`
	Recleaved *bool    `json:"recleaved,omitempty"`
	Action    string   `json:"action,omitempty"`
	Pair      string   `json:"pair,omitempty"`
	Finding   string   `json:"finding,omitempty"`
	Count     *int64   `json:"count,omitempty"`
	Loss      *float64 `json:"loss_db,omitempty"`
	Job       string   `json:"job,omitempty"`
	Scope     string   `json:"scope,omitempty"`
	Name      string   `json:"name,omitempty"`
	Tries     *int     `json:"attempt_limit,omitempty"`
	LimitPct  *float64 `json:"limit_pct,omitempty"`
	Condition *int64   `json:"conditioning_arcs,omitempty"`
	WarmUp    *int     `json:"warm_up_minutes,omitempty"`
}

// told is a record on its way. Times are seconds since the start.
type told struct {
	at, received int64
	session      int // ordinal at its machine; 0 for what is no attempt
	rec          record
}

func (t *told) bytes() []byte {
	b, err := json.Marshal(&t.rec)
	if err != nil {
		panic(err) // numbers, texts and flags only
	}
	return b
}

func some[T any](v T) *T { return &v }

// round rounds to a multiple of a step; the second rounding keeps the text short.
func round(v, step float64) float64 {
	return math.Round(math.Round(v/step)*step*10000) / 10000
}

// stamp writes a moment as the teller's clock shows it.
func (f *fleet) stamp(t int64, local bool) string {
	at := f.moment(t).UTC()
	if local {
		at = at.In(time.FixedZone("", int(f.clock.zone)))
	}
	return at.Format(time.RFC3339)
}
