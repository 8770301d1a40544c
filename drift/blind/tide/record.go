package tide

import (
	"encoding/json"
	"math"
	"time"

	"arcdrift/drift/blind"
)

// record is one record in the names of the contract. What is absent is unknown.
type record struct {
	Type    string `json:"type"`
	ID      string `json:"id,omitempty"`
	Source  string `json:"source,omitempty"`
	Epoch   *int64 `json:"epoch,omitempty"`
	Seq     *int64 `json:"seq,omitempty"`
	Machine string `json:"machine,omitempty"`
	Model   string `json:"model,omitempty"`
	Program string `json:"program,omitempty"`
	Site    string `json:"site,omitempty"`
	Worker  string `json:"operator,omitempty"`
	Time    string `json:"time"`

	Session    string   `json:"session,omitempty"`
	Attempt    int      `json:"attempt,omitempty"`
	Attempts   int      `json:"attempts,omitempty"`
	Passed     *bool    `json:"passed,omitempty"`
	Left       *float64 `json:"meltback_left_um,omitempty"`
	Right      *float64 `json:"meltback_right_um,omitempty"`
	Target     *float64 `json:"meltback_target_um,omitempty"`
	Tolerance  *float64 `json:"meltback_tolerance_um,omitempty"`
	Centre     *float64 `json:"centre_offset_um,omitempty"`
	Setting    *float64 `json:"power_setting_pct,omitempty"`
	Correction *float64 `json:"power_correction_pct,omitempty"`
	Limit      *float64 `json:"power_limit_pct,omitempty"`
	ArcCount   *int64   `json:"arc_count,omitempty"`
	Warmth     *float64 `json:"temperature_c,omitempty"`
	Humidity   *float64 `json:"humidity_pct,omitempty"`
	Altitude   *float64 `json:"altitude_m,omitempty"`
	Pressure   *float64 `json:"pressure_hpa,omitempty"`
	Trigger    string   `json:"trigger,omitempty"`
	Cleaver    string   `json:"cleaver,omitempty"`
	Recleaved  *bool    `json:"recleaved,omitempty"`

	Action  string `json:"action,omitempty"`
	Pair    string `json:"pair,omitempty"`
	Finding string `json:"finding,omitempty"`

	Count *int64   `json:"count,omitempty"`
	Loss  *float64 `json:"loss_db,omitempty"`
	Job   string   `json:"job,omitempty"`

	Scope        string   `json:"scope,omitempty"`
	Name         string   `json:"name,omitempty"`
	AttemptLimit int      `json:"attempt_limit,omitempty"`
	LimitPct     *float64 `json:"limit_pct,omitempty"`
	Conditioning *int64   `json:"conditioning_arcs,omitempty"`
}

// told is a record on its way.
type told struct {
	received time.Time
	when     time.Time // truly
	clock    time.Time // by the clock that it was written by
	zone     *time.Location
	record   record
	session  int // which session of the machine it tells of, from 1; 0 for none
}

// line is the record as it arrives.
func (t *told) line() blind.Line {
	rec := t.record
	rec.Time = t.clock.In(t.zone).Format(time.RFC3339)
	text, err := json.Marshal(&rec)
	if err != nil {
		panic("tide: a record that JSON cannot hold: " + err.Error())
	}
	return blind.Line{Received: t.received, JSON: text}
}

func ptr[T any](v T) *T { return &v }

// rounded is to so many decimals.
func rounded(v float64, decimals int) *float64 {
	p := math.Pow10(decimals)
	return ptr(math.Round(v*p) / p)
}
