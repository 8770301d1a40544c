package wire

import (
	"bytes"
	"errors"
	"net/url"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// taken holds what is true of every record that any form gave: it is valid, and
// its canonical form reads back as the same.
func taken(t *testing.T, r drift.Record) {
	require.NoError(t, r.Check())
	raw := r.AppendCanonical(nil)
	again, err := Record(raw)
	require.NoError(t, err, "%s", raw)
	require.Equal(t, string(raw), string(again.AppendCanonical(nil)))
	require.Equal(t, r.Identity(), again.Identity())
}

// refused holds what is true of every refusal: it is a problem, in one short
// sentence of printable text.
func refused(t *testing.T, err error) {
	var p *drift.Problem
	require.True(t, errors.As(err, &p), "%v", err)
	sentence := p.Error()
	assert.NotEmpty(t, p.Reason)
	assert.True(t, utf8.ValidString(sentence), "%q", sentence)
	assert.Less(t, len(sentence), 1000)
	assert.False(t, strings.ContainsAny(sentence, "\n\r\x00"), "%q", sentence)
}

func either(t *testing.T, r drift.Record, err error) {
	if err != nil {
		refused(t, err)
		return
	}
	taken(t, r)
}

func FuzzRecord(f *testing.F) {
	for _, name := range []string{"good.jsonl", "bad.jsonl"} {
		for line := range bytes.Lines(sample(f, name)) {
			f.Add(line)
		}
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		r, err := Record(raw)
		either(t, r, err)
	})
}

func FuzzJSONLines(f *testing.F) {
	f.Add(sample(f, "good.jsonl"))
	f.Add(sample(f, "bad.jsonl"))
	f.Fuzz(func(t *testing.T, upload []byte) {
		last := 0
		for l := range JSONLines(bytes.NewReader(upload)) {
			require.NoError(t, l.Err)
			require.Greater(t, l.Number, last)
			require.NotContains(t, string(l.Raw), "\n")
			last = l.Number
			either(t, l.Record, fault(l))
		}
		require.LessOrEqual(t, last, 1+bytes.Count(upload, []byte("\n")))
		for l := range Records(bytes.NewReader(upload)) {
			either(t, l.Record, fault(l))
		}
	})
}

// Each input is read twice: as a file, and as rows under a good header, which
// chance would hardly write.
func FuzzCSV(f *testing.F) {
	const header = "type;machine;time;passed;temperature_c;arc_count;site;extra;fields;corrects;reason\n"
	f.Add(sample(f, "good.csv"))
	f.Add(sample(f, "semicolon.csv"))
	f.Add([]byte("calibration;K-07;2026-03-02T07:45:00+01:00;true;-3,5;1840;\"'=\"\"a\"\"\";\"{\"\"van\"\":7}\";;;\n"))
	f.Add([]byte("correction;K-07;;;;;;;\"{\"\"passed\"\":null}\";a1;misread\n"))
	f.Fuzz(func(t *testing.T, upload []byte) {
		for _, file := range [][]byte{upload, append([]byte(header), upload...)} {
			for l := range CSV(bytes.NewReader(file)) {
				either(t, l.Record, fault(l))
				if fault(l) == nil {
					sameAfterExport(t, l.Record)
				}
			}
		}
	})
}

func sameAfterExport(t *testing.T, r drift.Record) {
	var out bytes.Buffer
	w, err := NewCSVWriter(&out)
	require.NoError(t, err)
	require.NoError(t, w.Write(&drift.Entry{Record: r, Received: arrival(0)}))
	require.NoError(t, w.Flush())
	again := slices.Collect(CSV(&out))
	require.Len(t, again, 1)
	require.Nil(t, again[0].Problem)
	require.Equal(t, r.Identity(), again[0].Record.Identity())
}

func FuzzForm(f *testing.F) {
	f.Add("type=calibration&machine=K-07&passed=true&temperature_c=-3,5&time=2026-03-02T07:45:00%2B01:00&extra.note=wind")
	f.Add("type=correction&machine=K-07&corrects=a1&reason=misread&fields.temperature_c=12,5&extra={}")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		r, err := Form(v)
		either(t, r, err)
	})
}

func FuzzMove(f *testing.F) {
	f.Add(`{"machine":"K-07","as_of":"2026-03-05T06:30:00Z","ask_id":"q1","temperature_c":-3.5,"humidity_pct":81,"altitude_m":640}`)
	f.Add(`machine=K-07&as_of=2026-03-05T06:30:00Z&temperature_c=-3,5&pressure_hpa=939.2&machine_temperature_c=70`)
	f.Fuzz(func(t *testing.T, question string) {
		m, err := Move([]byte(question))
		if err != nil {
			refused(t, err)
		} else {
			require.NotEmpty(t, m.Machine)
		}
		if v, err := url.ParseQuery(question); err == nil {
			if _, err = MoveValues(v); err != nil {
				refused(t, err)
			}
		}
	})
}

// fault is what ended or refused the line, if anything did.
func fault(l Line) error {
	if l.Problem != nil {
		return l.Problem
	}
	return l.Err
}
