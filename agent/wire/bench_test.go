package wire

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// full is a calibration with everything a machine that measures can say.
const full = `{"type":"calibration","id":"k07-000042","machine":"K-07","model":"type-2","program":"standard","site":"North yard","operator":"Ada",` +
	`"time":"2026-03-02T07:45:00+01:00","source":"van-3","epoch":1,"seq":42,"arc_count":1840,"attempt":1,"passed":true,` +
	`"meltback_left_um":118.5,"meltback_right_um":121.25,"meltback_target_um":120,"meltback_tolerance_um":10,` +
	`"power_setting_pct":3.9,"power_correction_pct":0,"temperature_c":-3.5,"humidity_pct":81,"altitude_m":640}`

func BenchmarkRecord(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		_, err := Record([]byte(full))
		require.NoError(b, err)
	}
}

// An op is an upload of a thousand records.
func BenchmarkJSONLines(b *testing.B) {
	upload := bytes.Repeat([]byte(full+"\n"), 1000)
	b.ReportAllocs()
	for b.Loop() {
		for l := range JSONLines(bytes.NewReader(upload)) {
			require.Nil(b, l.Problem)
		}
	}
}

// An op is an upload of a thousand rows.
func BenchmarkCSV(b *testing.B) {
	r, err := Record([]byte(full))
	require.NoError(b, err)
	var upload bytes.Buffer
	w, err := NewCSVWriter(&upload)
	require.NoError(b, err)
	for range 1000 {
		require.NoError(b, w.Write(&drift.Entry{Record: r, Received: r.Time}))
	}
	require.NoError(b, w.Flush())
	b.ReportAllocs()
	for b.Loop() {
		for l := range CSV(bytes.NewReader(upload.Bytes())) {
			require.Nil(b, l.Problem)
		}
	}
}

func BenchmarkIdentity(b *testing.B) {
	b.ReportAllocs()
	r, err := Record([]byte(full))
	require.NoError(b, err)
	for b.Loop() {
		r.Identity()
	}
}

func BenchmarkAppendEntry(b *testing.B) {
	b.ReportAllocs()
	r, err := Record([]byte(full))
	require.NoError(b, err)
	var out []byte
	for b.Loop() {
		out = AppendEntry(out[:0], &drift.Entry{Record: r, Via: "http"})
	}
}
