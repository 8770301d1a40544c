// Package drifttest draws valid records of every type at random, for property
// tests of whatever handles records. Only tests import it.
package drifttest

import (
	"encoding/json"
	"math"
	"strings"
	"time"

	"pgregory.net/rapid"

	"arcdrift/drift"
)

// Records draws records that pass Check, with any subset of the fields of their
// type and any value a field may hold.
func Records() *rapid.Generator[drift.Record] {
	return rapid.Custom(func(t *rapid.T) drift.Record {
		r := drift.Record{Type: rapid.SampledFrom(drift.Types()).Draw(t, "type")}
		if err := r.Allocate(); err != nil {
			t.Fatal(err)
		}
		needed := map[string]bool{
			"machine": true, "passed": true, "action": true, "count": true, "scope": true, "name": true,
			"corrects": true, "reason": true, "arc_count": r.Type == drift.TypeUsage, "verdict": true, "day": true,
		}
		either := rapid.SampledFrom([]string{"attempt", "attempts"}).Draw(t, "not both")
		for _, f := range drift.FieldsOf(r.Type) {
			if f.Name == "type" || f.Name == either || !needed[f.Name] && rapid.Bool().Draw(t, "without "+f.Name) {
				continue
			}
			if err := f.Set(&r, Values(f).Draw(t, f.Name)); err != nil {
				t.Fatal(err)
			}
		}
		if r.Splice != nil {
			fits(r.Splice)
		}
		if r.Setup != nil {
			located(r.Setup)
		}
		if rapid.Bool().Draw(t, "with extra") {
			r.Extra = extra().Draw(t, "extra")
		}
		if r.Correction != nil {
			r.Correction.Changes = changes(t)
		}
		return r
	})
}

// fits makes what is said of a loss go together.
func fits(s *drift.Splice) {
	switch {
	case !s.Loss.Known() && s.Measured():
		s.Method, s.Direction = "", ""
	case s.Measured() && s.Direction == "":
		s.Direction = drift.BothWays
	case !s.Measured():
		s.Direction = ""
	}
}

// located leaves a location to a site, and a position with both its halves; a customer to
// a machine.
func located(s *drift.Setup) {
	if s.Scope != drift.ScopeMachine {
		s.Customer = ""
	}
	if s.Scope != drift.ScopeSite {
		s.Altitude = drift.Opt[float64]{}
	}
	if s.Scope != drift.ScopeSite || s.Latitude.Known() != s.Longitude.Known() {
		s.Latitude, s.Longitude = drift.Opt[float64]{}, drift.Opt[float64]{}
	}
}

// Values draws values that the field may hold.
func Values(f *drift.Field) *rapid.Generator[any] {
	switch f.Kind {
	case drift.Number:
		low := f.Min
		if f.OpenMin {
			low = math.Nextafter(f.Min, f.Max)
		}
		return rapid.Map(rapid.Float64Range(low, f.Max), func(v float64) any { return v })
	case drift.Days:
		return rapid.OneOf(rapid.Bool().AsAny(), rapid.Int64Range(2, int64(f.Max)).AsAny())
	case drift.Integer:
		return rapid.Int64Range(int64(f.Min), int64(f.Max)).AsAny()
	case drift.Flag:
		return rapid.Bool().AsAny()
	case drift.Moment:
		return rapid.Custom(func(t *rapid.T) any {
			at := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "seconds"), rapid.Int64Range(0, 1e9-1).Draw(t, "nanoseconds")).UTC()
			if offset := rapid.IntRange(-14*60, 14*60).Draw(t, "offset"); offset != 0 {
				at = at.In(time.FixedZone("", 60*offset))
			}
			return at
		})
	}
	switch {
	case f.Words != nil:
		return rapid.SampledFrom(f.Words).AsAny()
	case f.Name == "machine" || f.Name == "renamed_to":
		return rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9._-]{0,63}`).AsAny()
	case f.Name == "day":
		return rapid.SampledFrom([]string{"2026-03-02", "2024-02-29"}).AsAny()
	case f.Name == "bench_days":
		return rapid.SampledFrom([]string{"mon tue wed thu fri", "sat"}).AsAny()
	case f.Name == "closed_days":
		return rapid.SampledFrom([]string{"none", "05-17 2026-12-24/2027-01-01"}).AsAny()
	case f.Name == "zone":
		return rapid.SampledFrom([]string{"UTC", "Europe/Oslo", "America/Argentina/Ushuaia"}).AsAny()
	}
	return label().AsAny()
}

// label draws free text with characters that are awkward in some format. It has no spaces
// around it, as forms remove them.
func label() *rapid.Generator[string] {
	awkward := rapid.SampledFrom([]rune("=+-@'\",;{}\\/<&% aZ09_.é漢😀\u2028\ufeff"))
	text := rapid.StringOfN(rapid.OneOf(awkward, rapid.Rune()), 1, -1, drift.MaxText)
	clean := rapid.Map(text, func(s string) string {
		return strings.TrimSpace(strings.Map(func(c rune) rune {
			if c < ' ' || c >= 0x7f && c < 0xa0 {
				return 'x'
			}
			return c
		}, s))
	})
	return clean.Filter(func(s string) bool { return s != "" && len(s) <= drift.MaxText })
}

// extra draws JSON objects, on one line or several.
func extra() *rapid.Generator[[]byte] {
	return rapid.Custom(func(t *rapid.T) []byte {
		object := map[string]any{}
		for range rapid.IntRange(0, 4).Draw(t, "members") {
			object[label().Draw(t, "name")] = rapid.OneOf(
				label().AsAny(), rapid.Float64Range(-1e300, 1e300).AsAny(), rapid.Bool().AsAny(),
				rapid.Just[any](nil), rapid.SliceOfN(rapid.Int(), 0, 3).AsAny(),
				rapid.MapOfN(label(), label(), 0, 2).AsAny(),
			).Draw(t, "value")
		}
		b, err := json.Marshal(object)
		if rapid.Bool().Draw(t, "indented") {
			b, err = json.MarshalIndent(object, "", "\t")
		}
		if err != nil {
			t.Fatal(err)
		}
		return b
	})
}

// changes draws at least one new value, in table order.
func changes(t *rapid.T) []drift.Change {
	var out []drift.Change
	free := drift.FieldsOf(rapid.SampledFrom([]drift.Type{drift.TypeCalibration, drift.TypeService, drift.TypeSplice}).Draw(t, "of a"))
	for _, f := range free {
		switch f.Name {
		case "type", "id", "machine", "source", "epoch", "seq":
			continue
		}
		switch rapid.IntRange(0, 3).Draw(t, "change "+f.Name) {
		case 0:
			out = append(out, drift.Change{Field: f.Name, Value: Values(f).Draw(t, f.Name)})
		case 1:
			out = append(out, drift.Change{Field: f.Name})
		}
	}
	if out == nil {
		out = append(out, drift.Change{Field: "site", Value: "North yard"})
	}
	return out
}
