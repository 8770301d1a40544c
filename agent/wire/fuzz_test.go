package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/drift"
)

// taken says what is wrong with a record that a form gave: it is valid, and its
// canonical form reads back as the same.
func taken(r drift.Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	raw := r.AppendCanonical(nil)
	again, err := Record(raw)
	switch {
	case err != nil:
		return fmt.Errorf("%s does not read back: %w", raw, err)
	case string(raw) != string(again.AppendCanonical(nil)) || r.Identity() != again.Identity():
		return fmt.Errorf("%s reads back as another", raw)
	}
	return nil
}

// refused says what is wrong with a refusal: it is a problem, in one short sentence
// of printable text.
func refused(err error) error {
	var p *drift.Problem
	if !errors.As(err, &p) {
		return fmt.Errorf("no problem: %w", err)
	}
	sentence := p.Error()
	if p.Reason == "" || !utf8.ValidString(sentence) || len(sentence) >= 1000 || strings.ContainsAny(sentence, "\n\r\x00") {
		return fmt.Errorf("no sentence: %q", sentence)
	}
	return nil
}

func either(t *testing.T, r drift.Record, err error) {
	t.Helper()
	if err != nil {
		require.NoError(t, refused(err))
		return
	}
	require.NoError(t, taken(r))
}

// TestFuzzControl: a decoder that lets through what is out of bounds or no number,
// or that refuses with what it was sent, is found out.
func TestFuzzControl(t *testing.T) {
	good, err := Record([]byte(`{"type":"calibration","machine":"K-07","passed":true,"temperature_c":5}`))
	require.NoError(t, err)
	require.NoError(t, taken(good))
	for _, wrong := range []float64{900, math.NaN(), math.Inf(1), 1e308} {
		through := good
		c := *good.Calibration
		c.Temperature = drift.Some(wrong)
		through.Calibration = &c
		require.Error(t, taken(through), "%v", wrong)
	}
	for _, err := range []error{io.EOF, &drift.Problem{}, &drift.Problem{Reason: "is \x00"}, &drift.Problem{Reason: "is \xff"}, &drift.Problem{Reason: strings.Repeat("long ", 300)}} {
		require.Error(t, refused(err))
	}
}

// TestCorruptInputs: what the samples of every form become when bytes of them are
// changed, cut, doubled or joined is taken or refused like anything else. The
// fuzzing goes further, for as long as one lets it.
func TestCorruptInputs(t *testing.T) {
	var seeds [][]byte
	for _, name := range []string{"good.jsonl", "bad.jsonl", "good.csv", "semicolon.csv"} {
		seeds = append(seeds, sample(t, name))
		for line := range bytes.Lines(sample(t, name)) {
			seeds = append(seeds, line)
		}
	}
	random := rand.New(rand.NewPCG(20, 0))
	n := faulttest.Rounds(t, 1000)
	for range n {
		input := bytes.Clone(seeds[random.IntN(len(seeds))])
		for range 1 + random.IntN(6) {
			at := random.IntN(len(input))
			switch random.IntN(4) {
			case 0:
				input[at] = byte(random.Uint32())
			case 1:
				input = input[:at+1]
			case 2:
				input = append(input, input[at:min(at+200, len(input))]...)
			case 3:
				input = append(input[:at:at], seeds[random.IntN(len(seeds))]...)
			}
			input = input[:min(len(input), 64<<10)]
		}
		r, err := Record(input)
		either(t, r, err)
		for l := range Records(bytes.NewReader(input)) {
			either(t, l.Record, fault(l))
		}
		for l := range CSV(bytes.NewReader(input)) {
			either(t, l.Record, fault(l))
		}
	}
	faulttest.Bound(t, "spoilt input that was neither taken as what it says nor refused in a sentence", n)
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
			require.NoError(t, refused(err))
		} else {
			require.NotEmpty(t, m.Machine)
		}
		if v, err := url.ParseQuery(question); err == nil {
			if _, err = MoveValues(v); err != nil {
				require.NoError(t, refused(err))
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
