package wire

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

const usage = `{"type":"usage","machine":"K-07","arc_count":1840}`

// sample is a file of testdata/wire.
func sample(t testing.TB, name string) []byte {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "wire", name))
	require.NoError(t, err)
	return b
}

// outcome is what became of each line: "3 ok", "4 and the sentence".
func outcome(lines iter.Seq[Line]) []string {
	var out []string
	for l := range lines {
		switch {
		case l.Err != nil:
			out = append(out, fmt.Sprintf("%d ended: %v", l.Number, l.Err))
		case l.Problem != nil:
			out = append(out, fmt.Sprintf("%d %v", l.Number, l.Problem))
		default:
			out = append(out, fmt.Sprintf("%d ok", l.Number))
		}
	}
	return out
}

func TestSampleOfBadLines(t *testing.T) {
	var got strings.Builder
	for l := range JSONLines(bytes.NewReader(sample(t, "bad.jsonl"))) {
		if l.Problem != nil {
			fmt.Fprintf(&got, "line %d: %v\n", l.Number, l.Problem)
		}
	}
	assert.Equal(t, string(sample(t, "bad.txt")), got.String())
}

func TestJSONLines(t *testing.T) {
	long := `{"type":"usage","machine":"` + strings.Repeat("x", MaxRecord) + `"}`
	const (
		tooLong = "the record is longer than 65536 bytes"
		cut     = "the record ends in the middle: it was cut short"
		garbage = "a record must be one JSON object in braces { }, and this does not begin with a brace"
	)
	for name, c := range map[string]struct {
		in   string
		want []string
	}{
		"nothing":                 {"", nil},
		"blank lines only":        {"\n \r\n\t\n", nil},
		"one without its end":     {usage, []string{"1 ok"}},
		"CRLF":                    {usage + "\r\n" + usage + "\r\n", []string{"1 ok", "2 ok"}},
		"byte order mark":         {"\ufeff" + usage + "\n" + usage, []string{"1 ok", "2 ok"}},
		"a mark further down":     {usage + "\n\ufeff" + usage, []string{"1 ok", "2 " + garbage}},
		"blank lines count":       {"\n\n" + usage + "\n\n" + usage, []string{"3 ok", "5 ok"}},
		"cut short":               {usage + "\n" + usage[:20], []string{"1 ok", "2 " + cut}},
		"binary in between":       {usage + "\n\x00\xff\x1b\n" + usage, []string{"1 ok", "2 " + garbage, "3 ok"}},
		"a line too long":         {long + "\n" + usage, []string{"1 " + tooLong, "2 ok"}},
		"a last line too long":    {usage + "\n" + long, []string{"1 ok", "2 " + tooLong}},
		"a line just long enough": {usage + strings.Repeat(" ", MaxRecord-len(usage)) + "\r\n" + usage, []string{"1 ok", "2 ok"}},
		"one byte too long":       {usage + strings.Repeat(" ", MaxRecord+1-len(usage)) + "\n" + usage, []string{"1 " + tooLong, "2 ok"}},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.want, outcome(JSONLines(strings.NewReader(c.in))))
			assert.Equal(t, c.want, outcome(JSONLines(iotest.OneByteReader(strings.NewReader(c.in)))), "byte by byte")
		})
	}
}

func TestLinesMayBeKept(t *testing.T) {
	in := `{"type":"usage","machine":"K-07","arc_count":1,"extra":{"n":1}}` + "\r\n" + `{"type":"usage","machine":"K-08","arc_count":2,"extra":{"n":2}}`
	lines := slices.Collect(JSONLines(strings.NewReader(in)))
	require.Len(t, lines, 2)
	assert.Equal(t, strings.Split(in, "\r\n")[0], string(lines[0].Raw))
	assert.Equal(t, `{"n":1}`, string(lines[0].Record.Extra))
	assert.Equal(t, "K-07", lines[0].Record.Machine)
}

func TestTheBeginningOfATooLongLineIsKept(t *testing.T) {
	for _, read := range []func(io.Reader) iter.Seq[Line]{JSONLines, func(r io.Reader) iter.Seq[Line] {
		return CSV(io.MultiReader(strings.NewReader("type,machine,arc_count\n"), r))
	}} {
		lines := slices.Collect(read(io.LimitReader(endless('x'), 10<<20)))
		require.Len(t, lines, 1)
		assert.Len(t, lines[0].Raw, MaxRecord)
		assert.ErrorContains(t, lines[0].Problem, "longer than 65536 bytes")
	}
}

// endless is a reader that gives the same byte for ever.
type endless byte

func (e endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(e)
	}
	return len(p), nil
}

func TestAReadErrorEndsTheUpload(t *testing.T) {
	broken := func(text string) io.Reader {
		return io.MultiReader(strings.NewReader(text), iotest.ErrReader(errors.New("line dropped")))
	}
	assert.Equal(t, []string{"1 ok", "2 ended: line dropped"}, outcome(JSONLines(broken(usage+"\n"))))
	assert.Equal(t, []string{"2 ok", "3 ended: line dropped"}, outcome(CSV(broken("type,machine,arc_count\nusage,K-07,1\n"))))
	assert.Equal(t, []string{"1 ended: line dropped"}, outcome(Records(broken(""))))
	assert.Equal(t, []string{"1 ended: line dropped"}, outcome(Records(broken("{\n}"))))
}

// A caller that has had enough gets no more.
func TestReadingStopsWithItsCaller(t *testing.T) {
	for name, records := range map[string]iter.Seq[Line]{
		"JSON lines": JSONLines(strings.NewReader(usage + "\n" + usage)),
		"CSV":        CSV(strings.NewReader("type,machine,arc_count\nusage,K-07,1\nusage,K-07,2\n")),
	} {
		n := 0
		records(func(Line) bool {
			n++
			return false
		})
		assert.Equal(t, 1, n, name)
	}
}

func TestSniff(t *testing.T) {
	for in, want := range map[string]Format{
		"":                                FormatJSONLines,
		usage:                             FormatJSONLines,
		usage + "\n" + usage:              FormatJSONLines,
		"\ufeff\r\n" + usage + "\n":       FormatJSONLines,
		"[" + usage + ",\n" + usage + "]": FormatJSON,
		"{\n\"type\":\"usage\"\n}\n":      FormatJSON,
		"{\n\"type\":\n":                  FormatJSONLines,
		"type,machine\n":                  FormatCSV,
		"\ufeff\"type\";\"machine\"\n":    FormatCSV,
		"\x00\x01":                        FormatCSV,
	} {
		assert.Equal(t, want, Sniff(bufio.NewReader(strings.NewReader(in))), "%q", in)
	}
}

func TestRecordsReadsEveryFormat(t *testing.T) {
	want, err := Record([]byte(usage))
	require.NoError(t, err)
	for _, in := range []string{
		usage,
		usage + "\n",
		"\ufeff" + strings.ReplaceAll(usage, ",", ",\n  ") + "\n",
		"type,machine,arc_count\nusage,K-07,1840\n",
		"arc_count;type;machine\r\n1840;usage;K-07\r\n",
	} {
		lines := slices.Collect(Records(strings.NewReader(in)))
		require.Len(t, lines, 1, in)
		assert.Nil(t, lines[0].Problem)
		assert.Equal(t, want, lines[0].Record, in)
	}
	spread := "{\n" + strings.Repeat(" ", MaxRecord) + "}"
	assert.Equal(t, []string{"1 the record ends in the middle: it was cut short", "2 the record is longer than 65536 bytes"}, outcome(Records(strings.NewReader(spread))))
}

// What an import of an export must give back: the same records, by the same
// ids, arrived at the same times.
func TestSamplesInEveryFormAreTheSame(t *testing.T) {
	jsonl := slices.Collect(Records(bytes.NewReader(sample(t, "good.jsonl"))))
	rows := slices.Collect(Records(bytes.NewReader(sample(t, "good.csv"))))
	require.Len(t, rows, len(jsonl))
	types := map[drift.Type]bool{}
	for i := range jsonl {
		require.Nil(t, jsonl[i].Problem)
		require.Nil(t, rows[i].Problem)
		assert.Equal(t, jsonl[i].Record.Identity(), rows[i].Record.Identity())
		assert.Equal(t, arrival(i), rows[i].Received)
		types[jsonl[i].Record.Type] = true
	}
	assert.Len(t, types, len(drift.Types()), "a record of every type")
}

// arrival is when the i-th sample arrived, in good.csv.
func arrival(i int) time.Time {
	return time.Date(2026, 3, 5, 6, 30, i, 0, time.UTC)
}

func TestSampleCSVIsWhatExportWrites(t *testing.T) {
	var out bytes.Buffer
	w, err := NewCSVWriter(&out)
	require.NoError(t, err)
	for l := range JSONLines(bytes.NewReader(sample(t, "good.jsonl"))) {
		i := l.Number - 1
		e := drift.Entry{Record: l.Record, Received: arrival(i), Via: "import", StoreEpoch: 1, StoreSeq: uint64(i + 1)}
		require.NoError(t, w.Write(&e))
	}
	require.NoError(t, w.Flush())
	assert.Equal(t, string(sample(t, "good.csv")), out.String())
}
