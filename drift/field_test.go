package drift_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

func TestNearest(t *testing.T) {
	for written, meant := range map[string]string{
		"pased": "passed", "PASSED": "passed", "temperature": "temperature_c",
		"humidity": "humidity_pct", "meltback_left": "meltback_left_um", "power_correction": "power_correction_pct",
		"arccount": "arc_count", "extras": "extra", "field": "fields", "tyep": "type",
		"x": "", "": "", "voltage_between_the_two_electrodes": "",
	} {
		assert.Equal(t, meant, drift.Nearest(written), written)
	}
}

// A row of the table that refers to another row's place would lose one of two
// values set.
func TestEveryFieldHasAPlaceOfItsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drift.Record{Type: rapid.SampledFrom(drift.Types()).Draw(t, "type")}
		require.NoError(t, r.Allocate())
		want := map[string]any{"type": string(r.Type)}
		for _, f := range drift.FieldsOf(r.Type) {
			if f.Name != "type" {
				want[f.Name] = drifttest.Values(f).Draw(t, f.Name)
				require.NoError(t, f.Set(&r, want[f.Name]))
			}
		}
		for _, f := range drift.FieldsOf(r.Type) {
			v, known := f.Value(&r)
			require.True(t, known, f.Name)
			require.Equal(t, want[f.Name], v, f.Name)
			if f.Name != "type" {
				require.NoError(t, f.Set(&r, nil))
				_, known = f.Value(&r)
				require.False(t, known, f.Name)
			}
		}
	})
}

func TestSetRefuses(t *testing.T) {
	r := drift.Record{Type: drift.TypeUsage}
	for _, c := range []struct {
		field  string
		value  any
		reason string
	}{
		{"passed", true, "passed is \"true\": it does not belong in a usage record"},
		{"arc_count", 1.0, "arc_count is 1: it must be a whole number"},
		{"arc_count", true, "arc_count is \"true\": it must be a whole number"},
		{"machine", int64(7), "machine is 7: it must be text"},
		{"time", "noon", "time is \"noon\": it must be a time"},
		{"machine", time.Unix(0, 0).UTC(), "machine is \"1970-01-01 00:00:00 +0000 UTC\": it must be text"},
		{"machine", []int{1}, "machine is \"[1]\": it must be text"},
		{"seq", "1", "seq is 1: it must be a whole number"},
	} {
		f, ok := drift.FieldNamed(c.field)
		require.True(t, ok)
		assert.EqualError(t, f.Set(&r, c.value), c.reason)
	}
	f, _ := drift.FieldNamed("passed")
	_, known := f.Value(&r)
	assert.False(t, known, "a field of another type has no value")
	assert.Equal(t, drift.Record{Type: drift.TypeUsage}, r)
}

func TestTableNamesEachFieldOnce(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range drift.AllFields() {
		assert.False(t, seen[f.Name], f.Name)
		seen[f.Name] = true
		same, ok := drift.FieldNamed(f.Name)
		assert.True(t, ok)
		assert.Same(t, f, same)
	}
	_, ok := drift.FieldNamed("voltage")
	assert.False(t, ok)
	assert.Empty(t, drift.FieldsOf("voltage"))
}

func TestOptInJSON(t *testing.T) {
	type both struct{ A, B drift.Opt[float64] }
	b, err := json.Marshal(both{A: drift.Some(0.0)})
	require.NoError(t, err)
	assert.JSONEq(t, `{"A":0,"B":null}`, string(b))

	back := both{B: drift.Some(1.0)}
	require.NoError(t, json.Unmarshal(b, &back))
	assert.Equal(t, both{A: drift.Some(0.0)}, back)
	assert.Error(t, json.Unmarshal([]byte(`{"A":"x"}`), &back))
}
