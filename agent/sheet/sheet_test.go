package sheet

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

func testdata(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "sheet", name))
	require.NoError(t, err)
	return b
}

func mappingOf(t testing.TB, name string) *Mapping {
	t.Helper()
	m, err := ParseMapping(testdata(t, name))
	require.NoError(t, err)
	require.NoError(t, m.Prepare())
	require.Empty(t, m.Open())
	return m
}

// read reads a table whole: records as canonical lines, refusals by line.
func read(t testing.TB, raw []byte, m *Mapping) (records []string, refused map[int]string) {
	t.Helper()
	table, err := Read(raw, m, 0)
	require.NoError(t, err)
	refused = map[int]string{}
	for l := range m.Lines(table) {
		if l.Problem != nil {
			refused[l.Number] = l.Problem.Error()
			continue
		}
		records = append(records, string(l.Record.AppendCanonical(nil)))
	}
	return records, refused
}

// A workshop's table in Windows-1252: titles above, decimal commas, points between
// thousands, machines written as people do, a note over two lines, a stray quote.
func TestWorkshopTable(t *testing.T) {
	records, refused := read(t, testdata(t, "workshop-north.csv"), mappingOf(t, "workshop-north.json"))
	require.Len(t, records, 5)
	assert.Equal(t, `{"type":"calibration","machine":"K-07","model":"type-2","program":"standard","time":"2026-02-26T07:45:00+01:00","arc_count":1840,"attempts":1,"passed":true,"power_setting_pct":3.9,"temperature_c":-4.5,"humidity_pct":85,"altitude_m":120,"cleaver":"A"}`, records[0])
	assert.Contains(t, records[1], `"time":"2026-02-26T13:10:00+01:00","arc_count":1871`)
	assert.Contains(t, records[1], `"altitude_m":1240`)
	assert.Contains(t, records[1], `"extra":{"Bemerkung":"nach Umzug auf den Pass"}`)
	assert.Contains(t, records[2], `"time":"2026-02-26T13:10:01+01:00"`, "the next attempt of the same minute stays the next")
	assert.Contains(t, records[3], `"Bemerkung":"neue Klinge,\r\ngleiche Enden"`)
	assert.Contains(t, records[4], `"machine":"K-08"`)
	assert.Contains(t, refused[11], "it has no time of day, and the mapping gives none")
	assert.Contains(t, refused[13], "it must be one of the words that the mapping explains")
	assert.Contains(t, refused[14], "humidity_pct is 880")
	assert.Contains(t, refused[15], "a quote in this row is not closed")
	assert.Contains(t, refused[16], "time is missing")
	assert.Len(t, refused, 5)
}

// A crew's table as UTF-16 with tabs: °F, feet, inches of mercury, commas between
// thousands, a morning that the clocks leave out.
func TestMountainTable(t *testing.T) {
	records, refused := read(t, testdata(t, "mountain-crew.txt"), mappingOf(t, "mountain-crew.json"))
	require.Len(t, records, 4)
	assert.Equal(t, `{"type":"calibration","machine":"M-02","model":"type-2","time":"2026-03-02T07:45:00-07:00","arc_count":1240,"attempts":1,"passed":true,"power_setting_pct":2.1,"temperature_c":5,"humidity_pct":35,"altitude_m":1609.34,"pressure_hpa":834.07}`, records[0])
	assert.Contains(t, records[2], `"temperature_c":3.89`)
	assert.Contains(t, refused[7], `passed is "n/a"`)
	assert.Contains(t, refused[8], `it has the unit "°C", but the column is in °F`)
	assert.Contains(t, refused[9], "it does not exist in the time zone America/Denver")
	assert.Len(t, refused, 3)
}

func TestGuess(t *testing.T) {
	table, err := Read(testdata(t, "mountain-crew.txt"), &Mapping{}, 0)
	require.NoError(t, err)
	assert.Equal(t, []any{UTF16, "tab", 2}, []any{table.Encoding, table.Delimiter, table.Line})
	m := Guess(table)
	fields := map[string]string{}
	for _, c := range m.Columns {
		fields[c.Heading] = c.Field + " " + c.Unit
	}
	assert.Equal(t, map[string]string{"Splicer ID": "machine ", "Machine model": "model ", "Date": "date ", "Time": "clock ", "Result": "passed ", "Tries": "attempts ", "Power setting": "power_setting_pct ",
		"Air temp (°F)": "temperature_c °F", "RH": "humidity_pct ", "Elevation (ft)": "altitude_m ft", "Baro (inHg)": "pressure_hpa inHg", "Arcs": "arc_count "}, fields)
	assert.Equal(t, []string{"dates", "zone"}, m.Open(), "the third of February and the second of March are written alike")
	assert.Equal(t, map[string]string{"Pass": "true", "PASS": "true", "Fail": "false"}, wordsIn(m, "passed"))

	table, err = Read(testdata(t, "workshop-north.csv"), &Mapping{}, 0)
	require.NoError(t, err)
	assert.Equal(t, []any{Windows1252, "semicolon", 4}, []any{table.Encoding, table.Delimiter, table.Line})
	assert.Equal(t, "Gerät", table.Headings[0])
	m = &Mapping{Columns: []Column{{Heading: "Datum", Field: Date}, {Heading: "Leistung (%)", Field: "power_setting_pct"}}}
	m.ReadValues(table)
	assert.Equal(t, "dd.mm.yyyy", m.Dates)
	assert.Equal(t, "1234,5", m.Numbers)
}

func wordsIn(m *Mapping, field string) map[string]string {
	for _, c := range m.Columns {
		if c.Field == field {
			return c.Words
		}
	}
	return nil
}

// The same text in every encoding is the same table.
func TestEncodings(t *testing.T) {
	m := mappingOf(t, "workshop-north.json")
	raw := testdata(t, "workshop-north.csv")
	want, wantRefused := read(t, raw, m)
	text := string(fromWindows1252(raw))
	wide := func(order binary.AppendByteOrder, mark bool) []byte {
		var out []byte
		if mark {
			out = order.AppendUint16(out, 0xFEFF)
		}
		for _, u := range utf16.Encode([]rune(text)) {
			out = order.AppendUint16(out, u)
		}
		return out
	}
	for name, in := range map[string][]byte{
		"UTF-8": []byte(text), "UTF-8 with a mark": []byte("\uFEFF" + text),
		"UTF-16LE": wide(binary.LittleEndian, true), "UTF-16BE": wide(binary.BigEndian, true),
		"UTF-16LE without a mark": wide(binary.LittleEndian, false), "UTF-16BE without a mark": wide(binary.BigEndian, false),
	} {
		got, refused := read(t, in, m)
		assert.Equal(t, want, got, name)
		assert.Equal(t, wantRefused, refused, name)
	}
}

func TestNumbers(t *testing.T) {
	altitude, arcs := field(t, "altitude_m"), field(t, "arc_count")
	for _, c := range []struct {
		f                 *drift.Field
		style, cell, want string // want "" is refused
	}{
		{altitude, "", "1.240", ""}, {altitude, "", "1,240", ""}, {altitude, "", "12,5", "12.5"}, {altitude, "", "12.5", "12.5"}, {altitude, "", "1.240,5", "1240.5"}, {altitude, "", "1,240.5", "1240.5"},
		{altitude, "", "0.240", "0.240"}, {altitude, "", "7.240", "7.240"}, {arcs, "", "1.240", "1240"}, {arcs, "", "1 240", "1240"},
		{altitude, "1234.5", "1.240", "1.240"}, {altitude, "1234.5", "1,240", ""}, {altitude, "1234.5", "1,24", "1.24"}, {arcs, "1234.5", "1,240", "1240"},
		{altitude, "1,234.5", "1,240", "1240"}, {altitude, "1,234.5", "1.240", "1.240"}, {altitude, "1234,5", "1.240", ""}, {altitude, "1234,5", "1,240", "1.240"},
		{altitude, "1.234,5", "1.240", "1240"}, {altitude, "1.234,5", "−1,5 m", "-1.5"}, {altitude, "1.234,5", "– 3", "- 3"}, {altitude, "", "about 5", "about 5"},
		{altitude, "", "5 ft", ""}, {altitude, "", "1.240.5", "1.240.5"},
	} {
		got, reason := (&Column{Field: c.f.Name}).number(c.f, c.cell, c.style)
		if c.want == "" {
			assert.NotEmpty(t, reason, "%q in %q", c.cell, c.style)
			continue
		}
		assert.Empty(t, reason, "%q in %q", c.cell, c.style)
		assert.Equal(t, c.want, got, "%q in %q", c.cell, c.style)
	}
}

func field(t testing.TB, name string) *drift.Field {
	t.Helper()
	f, ok := drift.FieldNamed(name)
	require.True(t, ok)
	return f
}

// Property: a number written in a style is read as itself in that style; where no style is
// stated it is read as itself or refused, never as another number.
func TestWrittenNumbersReadBack(t *testing.T) {
	f := field(t, "arc_count")
	wide := *f
	wide.Kind, wide.Min = drift.Number, -1e7
	rapid.Check(t, func(rt *rapid.T) {
		x := float64(rapid.IntRange(-9_999_999, 9_999_999).Draw(rt, "x")) / float64(rapid.SampledFrom([]int{1, 10, 100, 1000}).Draw(rt, "by"))
		style := rapid.SampledFrom(Numbers()).Draw(rt, "style")
		written := write(x, style)
		got, reason := (&Column{}).number(&wide, written, style)
		back, err := strconv.ParseFloat(got, 64)
		require.Empty(rt, reason, written)
		require.NoError(rt, err, written)
		require.Equal(rt, x, back, written)
		got, reason = (&Column{}).number(&wide, written, "")
		if back, err = strconv.ParseFloat(got, 64); reason == "" {
			require.NoError(rt, err, written)
			require.Equal(rt, x, back, written)
		}
	})
}

func write(x float64, style string) string {
	decimal, group := marks(style)
	s := strconv.FormatFloat(x, 'f', -1, 64)
	whole, fraction, _ := strings.Cut(strings.TrimPrefix(s, "-"), ".")
	for i := len(whole) - 3; i > 0 && group != 0; i -= 3 {
		whole = whole[:i] + string(group) + whole[i:]
	}
	if fraction != "" {
		whole += string(decimal) + fraction
	}
	if x < 0 {
		whole = "-" + whole
	}
	return whole
}

func TestMoments(t *testing.T) {
	for _, c := range []struct{ dates, zone, day, clock, want string }{
		{"dd.mm.yyyy", "Europe/Berlin", "2.3.2026", "7:45 Uhr", "2026-03-02T07:45:00+01:00"},
		{"mm/dd/yyyy", "America/New_York", "03/02/2026", "1:05:30 pm", "2026-03-02T13:05:30-05:00"},
		{"dd/mm/yy", "Europe/London", "02/03/26", "07:45", "2026-03-02T07:45:00Z"},
		{"dd.mm.yyyy", "Europe/Berlin", "31.02.2026", "07:45", ""},
		{"dd.mm.yyyy", "Europe/Berlin", "02.03.26", "07:45", ""},
		{"dd.mm.yyyy", "Europe/Berlin", "29.03.2026", "02:30", ""},
		{"dd.mm.yyyy", "Europe/Berlin", "25.10.2026", "02:30", ""},
		{"dd.mm.yyyy", "Europe/Berlin", "25.10.2026", "03:30", "2026-10-25T03:30:00+01:00"},
		{"yyyy-mm-dd", "Australia/Lord_Howe", "2026-04-05", "01:45", ""},
		{"yyyy-mm-dd", "UTC", "2026-03-02T07:45:00+05:30", "", "2026-03-02T07:45:00+05:30"},
		{"yyyy-mm-dd", "UTC", "2026-03-02", "", ""},
	} {
		m := &Mapping{Dates: c.dates, Zone: c.zone}
		require.NoError(t, m.Prepare())
		got, problem := m.moment(Date, c.day, c.clock)
		if c.want == "" {
			assert.NotNil(t, problem, "%s %s", c.day, c.clock)
			continue
		}
		require.Nil(t, problem, "%s %s", c.day, c.clock)
		assert.Equal(t, c.want, got.Format("2006-01-02T15:04:05Z07:00"))
	}
}

func TestMappingsThatAreWrong(t *testing.T) {
	for text, want := range map[string]string{
		`{"colums":[]}`: "unknown field", `{"columns":[]} x`: "text behind it",
		`{"columns":[],"zone":"Oslo/Nowhere"}`:                                             "not a time zone",
		`{"columns":[],"numbers":"1.5"}`:                                                   "numbers is 1.5: it must be one of",
		`{"columns":[],"dates":"d.m.y"}`:                                                   "dates is",
		`{"columns":[],"clock":"noon"}`:                                                    "time of day",
		`{"columns":[{"heading":"a","field":"machin"}]}`:                                   "did you mean machine",
		`{"columns":[{"heading":"a","field":"note","unit":"m"}]}`:                          "",
		`{"columns":[{"heading":"a","field":"altitude_m","unit":"yd"}]}`:                   "one of the units m, ft",
		`{"columns":[{"heading":"a","field":"site"},{"heading":"b","field":"site"}]}`:      "mapped twice",
		`{"columns":[{"heading":"a","field":"site"}],"constants":{"site":"x"}}`:            "mapped twice",
		`{"columns":[{"heading":"a","field":"time"},{"heading":"b","field":"date"}]}`:      "mapped twice",
		`{"columns":[{"heading":"a","field":"site"},{"heading":"a","field":"machine"}]}`:   "each heading once",
		`{"columns":[],"constants":{"time":"2026-03-02T07:45:00Z"}}`:                       "a column must give it",
		`{"columns":[{"heading":"a","field":"humidity_pct","unit":"%"}]}`:                  "takes no unit",
		`{"columns":[{"heading":"a","field":"date"}],"constants":{"type":"calibration"}}`:  "",
		`{"columns":[{"heading":"a","field":"date"}],"constants":{"tpye":"calibration"}} `: "did you mean type",
	} {
		m, err := ParseMapping([]byte(text))
		if err == nil {
			err = m.Prepare()
		}
		if want == "" {
			assert.NoError(t, err, text)
			continue
		}
		assert.ErrorContains(t, err, want, text)
	}
}

func TestFilesThatAreNoTable(t *testing.T) {
	for raw, want := range map[string]string{
		"": "no headings", "a\nb\n": "no headings", "PK\x03\x04xyz": "the workbook is damaged", "\xD0\xCF\x11\xE0": "save it as .xlsx without a password",
		"\xff\xfea": "ends within a character", strings.Repeat("a,", 300) + "\n" + strings.Repeat("1,", 300) + "\n": "columns",
	} {
		_, err := Read([]byte(raw), &Mapping{}, 0)
		assert.ErrorContains(t, err, want, "%.20q", raw)
	}
	_, err := Read([]byte("a,b\n1,2\n"), &Mapping{Columns: []Column{{Heading: "c", Field: "site"}}}, 0)
	assert.ErrorContains(t, err, "none of the first 50 rows has the headings")
	_, err = Read([]byte("a,b\n1,2\n"), &Mapping{}, 9)
	assert.ErrorContains(t, err, "at least two headings")
}

// Importing the table again, or one that went on, gives the rows there were the same ids.
func TestIdsStay(t *testing.T) {
	m := mappingOf(t, "mountain-crew.json")
	text, err := fromUTF16(testdata(t, "mountain-crew.txt"))
	require.NoError(t, err)
	twice := append(bytes.Clone(text), []byte("M-02\ttype-2\t03/02/2026\t7:45 AM\tPass\t1\t2.1\t41\t35%\t5,280\t24.63\t1,240\r\n")...)
	before, _ := read(t, text, m)
	after, _ := read(t, twice, m)
	assert.Equal(t, before, after[:len(before)])
	assert.Contains(t, after[len(before)], `"time":"2026-03-02T07:45:01-07:00"`, "an equal row is a row of its own")
}

// A table with the newest row on top: of one minute, the row below is the earlier one.
func TestNewestFirst(t *testing.T) {
	m := &Mapping{Dates: "yyyy-mm-dd", Zone: "UTC", Clock: "07:00", NewestFirst: true, Constants: map[string]string{"type": "calibration"},
		Columns: []Column{{Heading: "Machine", Field: "machine"}, {Heading: "Date", Field: Date}, {Heading: "Passed", Field: "passed"}}}
	require.NoError(t, m.Prepare())
	records, refused := read(t, []byte("Machine,Date,Passed\nK-07,2026-03-02,true\nK-07,2026-03-02,false\nK-07,2026-03-01,true\n"), m)
	require.Empty(t, refused)
	assert.Contains(t, records[0], "2026-03-02T07:00:00Z")
	assert.Contains(t, records[1], "2026-03-02T06:59:59Z")
}

// 50,000 rows need less than 64 MB, whatever is kept beside them.
func TestManyRowsNeedLittleMemory(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("Machine;Date;Time;Result;Setting;Temp;Remarks\n")
	for i := range 50_000 {
		fmt.Fprintf(&b, "K-%03d;%d.%d.2026;%02d:%02d;Pass;%d,5;%d,1;a remark that somebody wrote beside the row, as people do, %d\n", i%300, 1+i%28, 1+i%12, i%24, i%60, i%9, i%30, i)
	}
	m := &Mapping{Dates: "dd.mm.yyyy", Zone: "Europe/Berlin", Constants: map[string]string{"type": "calibration"}, Columns: []Column{
		{Heading: "Machine", Field: "machine"}, {Heading: "Date", Field: Date}, {Heading: "Time", Field: Clock}, {Heading: "Result", Field: "passed", Words: map[string]string{"Pass": "true"}},
		{Heading: "Setting", Field: "power_setting_pct"}, {Heading: "Temp", Field: "temperature_c"}, {Heading: "Remarks", Field: Note}}}
	require.NoError(t, m.Prepare())
	table, err := Read(b.Bytes(), m, 0)
	require.NoError(t, err)
	var most uint64
	n := 0
	for l := range m.Lines(table) {
		require.Nil(t, l.Problem)
		if n++; n%25_000 == 0 {
			var now runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapAlloc)
		}
	}
	assert.Equal(t, 50_000, n)
	t.Logf("%d bytes of rows, %.1f MB held", b.Len(), float64(most)/1e6)
	assert.Less(t, most, uint64(64<<20))
	assert.Equal(t, "semicolon", Guess(table).Delimiter)
}

// Whatever the bytes: no row is lost, lines rise, and what is taken is valid.
func FuzzTable(f *testing.F) {
	for _, name := range []string{"workshop-north.csv", "mountain-crew.txt", "bench-east.xlsx"} {
		f.Add(testdata(f, name))
	}
	f.Add([]byte("a,b\n\"1,2\n3,4\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		table, err := Read(raw, &Mapping{}, 0)
		if err != nil {
			return
		}
		m := Guess(table)
		m.Zone, m.Clock = "Europe/Berlin", "07:00"
		if m.Dates == "" {
			m.Dates = "dd/mm/yyyy"
		}
		if err := m.Prepare(); err != nil {
			t.Fatalf("a guess is wrong: %v", err)
		}
		line, text := table.Line, []byte(nil)
		for l := range m.Lines(table) {
			if l.Number <= line {
				t.Fatalf("line %d after %d", l.Number, line)
			}
			line = l.Number
			text = append(text, l.Raw...)
			if l.Problem == nil {
				require.NoError(t, l.Record.Check())
			}
		}
		bare := func(b []byte) string {
			return string(bytes.Map(func(r rune) rune {
				if strings.ContainsRune("\r\n \t,;\"", r) || r < ' ' || r == '\u00a0' {
					return -1
				}
				return r
			}, b))
		}
		if len(text) < wire.MaxRecord && strings.ContainsFunc(bare(table.text[table.below:]), func(r rune) bool { return r > ' ' && r < 0x7f }) {
			require.Equal(t, bare(table.text[table.below:]), bare(text), "a row is lost")
		}
	})
}
