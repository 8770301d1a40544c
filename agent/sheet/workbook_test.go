package sheet

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"maps"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A workbook gives the records of its sheet saved as text, with the same ids, lines and
// refusals.
func TestWorkbookIsAsItsText(t *testing.T) {
	m := mappingOf(t, "bench-east.json")
	want, wantRefused := read(t, testdata(t, "bench-east.csv"), m)
	got, refused := read(t, testdata(t, "bench-east.xlsx"), m)
	assert.Equal(t, want, got)
	require.Len(t, got, 4)
	assert.Equal(t, `{"type":"calibration","machine":"E-04","model":"type-2","time":"2026-03-02T08:20:00+01:00","arc_count":1840,"attempts":1,"passed":true,"power_setting_pct":2.1,"temperature_c":-4.5,"humidity_pct":85,"altitude_m":118.125}`, got[0])
	assert.Contains(t, got[1], `"humidity_pct":7,"altitude_m":1.125,"extra":{"Remarks":"after a move,\nover the pass"}`)
	assert.Contains(t, got[3], `"power_setting_pct":0.30000000000000004`, "unrounded")
	require.Len(t, refused, 2)
	assert.Equal(t, wantRefused[10], refused[9], "the note over two lines is one row of the sheet")
	assert.Contains(t, refused[9], "one of the words that the mapping explains")
	assert.Contains(t, refused[10], "does not exist in the time zone")
}

// Numbers and dates of a workbook mean the same whatever the mapping says of writing them.
func TestWorkbookNeedsNoStyle(t *testing.T) {
	m := mappingOf(t, "bench-east.json")
	want, _ := read(t, testdata(t, "bench-east.xlsx"), m)
	for _, numbers := range append(Numbers(), "") {
		for _, dates := range Dates() {
			m.Numbers, m.Dates = numbers, dates
			got, _ := read(t, testdata(t, "bench-east.xlsx"), m)
			assert.Equal(t, want, got, "%s %s", numbers, dates)
		}
	}
}

func TestGuessOfAWorkbook(t *testing.T) {
	table, err := Read(testdata(t, "bench-east.xlsx"), &Mapping{}, 0)
	require.NoError(t, err)
	assert.Equal(t, []any{"Arc checks", []string{"Lists", "Arc checks", "Spares"}, 3}, []any{table.Sheet, table.Sheets, table.Line})
	m := Guess(table)
	assert.Equal(t, []string{"Arc checks", "yyyy-mm-dd", ""}, []string{m.Sheet, m.Dates, m.Numbers})
	assert.Equal(t, []string{"zone"}, m.Open(), "dates are not asked for")
	table, err = Read(testdata(t, "bench-east.xlsx"), &Mapping{Sheet: "Spares"}, 0)
	require.NoError(t, err)
	assert.Equal(t, []string{"Part", "Count"}, table.Headings)
	_, err = Read(testdata(t, "bench-east.xlsx"), &Mapping{Sheet: "March"}, 0)
	assert.ErrorContains(t, err, `sheet is "March": it is not a sheet of this workbook. It has Lists, Arc checks, Spares`)
}

// partsOf unpacks the sample, for a test to change.
func partsOf(t testing.TB) map[string]string {
	t.Helper()
	raw := testdata(t, "bench-east.xlsx")
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	require.NoError(t, err)
	out := map[string]string{}
	for _, f := range z.File {
		in, err := f.Open()
		require.NoError(t, err)
		text, err := io.ReadAll(in)
		require.NoError(t, err)
		out[f.Name] = string(text)
	}
	return out
}

// zipOf packs parts; between two ¦, "N×text" is the text N times.
func zipOf(t testing.TB, parts map[string]string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range parts {
		w, err := z.Create(name)
		require.NoError(t, err)
		for _, piece := range strings.Split(text, "¦") {
			times, pack := 1, 1
			if n, what, many := strings.Cut(piece, "×"); many {
				_, err := fmt.Sscan(n, &times)
				require.NoError(t, err)
				pack = min(times, 10_000)
				piece = strings.Repeat(what, pack)
			}
			for range times / pack {
				_, err := io.WriteString(w, piece)
				require.NoError(t, err)
			}
		}
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

const (
	sheetPart = "xl/worksheets/sheet2.xml"
	rowsStart = `<worksheet><sheetData>`
	rowsEnd   = `</sheetData></worksheet>`
	headRow   = `<row><c t="inlineStr"><is><t>a</t></is></c><c t="inlineStr"><is><t>b</t></is></c></row>`
)

// cellsOf are the values below the headings of a sheet with one row.
func cellsOf(t *testing.T, parts map[string]string, cells string) []string {
	t.Helper()
	parts = maps.Clone(parts)
	parts[sheetPart] = rowsStart + headRow + "<row>" + cells + "</row>" + rowsEnd
	table, err := Read(zipOf(t, parts), &Mapping{}, 1)
	require.NoError(t, err, cells)
	for row := range table.Rows() {
		return row.Cells
	}
	return nil
}

// Serial numbers of days: 61 is 1 March 1900, 1462 days lie between the two systems, and
// 25569 is 1 January 1970.
func TestDaysOfBothSystems(t *testing.T) {
	parts := partsOf(t)
	cells := `<c s="1"><v>1</v></c><c s="1"><v>61</v></c><c s="1"><v>25569</v></c><c s="2"><v>0.34722222222222221</v></c><c t="d"><v>2026-03-02T08:20:00.000Z</v></c>`
	assert.Equal(t, []string{"1900-01-01", "1900-03-01", "1970-01-01", "08:20:00", "2026-03-02 08:20:00"}, cellsOf(t, parts, cells))
	parts["xl/workbook.xml"] = strings.Replace(parts["xl/workbook.xml"], "<workbookPr/>", `<workbookPr date1904="1"/>`, 1)
	assert.Equal(t, []string{"1904-01-02", "1904-03-02", "1974-01-02", "08:20:00", "2026-03-02 08:20:00"}, cellsOf(t, parts, cells))
}

func TestCells(t *testing.T) {
	parts := partsOf(t)
	parts["xl/sharedStrings.xml"] = `<sst><si><r><t>K </t></r><r><t>07</t></r><rPh><t>kay</t></rPh></si></sst>`
	for cells, want := range map[string][]string{
		`<c t="s"><v>0</v></c><c t="b"><v>1</v></c><c t="e"><v>#N/A</v></c>`:          {"K 07", "TRUE", "#N/A"},
		`<c r="A2"><v>1E-3</v></c><c r="C2"><v>1.8400000000000001E3</v></c>`:          {"0.001", "", "1840"},
		`<c><f>A1*2</f></c><c><f>A1</f><v>7</v></c><c t="str"><f>A9</f><v></v></c>`:   {"=A1*2", "7"},
		`<c s="99"><v>46083</v></c><c s="1"><v>-1</v></c><c s="1"><v>9999999</v></c>`: {"46083", "-1", "9999999"},
	} {
		assert.Equal(t, want, cellsOf(t, parts, cells), cells)
	}
}

func TestFormats(t *testing.T) {
	for code, want := range map[string]format{
		"General": {}, "": {}, "0.00": {}, "#,##0.0 [$€-407]": {}, `0.0" mm"`: {}, `0\d`: {}, "[Red]0.0": {}, "0.00E+00": {}, "0.0%": {percent: true}, `0" %"`: {}, "@": {},
		"dd.mm.yyyy": {day: true}, "[$-409]d\\-mmm\\-yy;@": {day: true}, "mmmm": {day: true}, "h:mm AM/PM": {clock: true}, "mm:ss": {clock: true},
		"yyyy-mm-dd hh:mm": {day: true, clock: true}, "[h]:mm": {clock: true, elapsed: true}, "0;[Red]d": {},
	} {
		assert.Equal(t, want, parseFormat(code), code)
	}
	for serial, want := range map[float64]string{46083.347222222219: "2026-03-02 08:20:00", 46083.326388888891: "2026-03-02 07:50:00", 46083.999999: "2026-03-03 00:00:00"} {
		text, _ := format{day: true, clock: true}.text(serial, false)
		assert.Equal(t, want, text, "to the nearest second")
	}
	text, _ := format{clock: true, elapsed: true}.text(1.0625, false)
	assert.Equal(t, "25:30:00", text)
}

// Files that unpack to more than the agent can hold are refused, with little memory.
func TestBombs(t *testing.T) {
	sample := partsOf(t)
	for name, change := range map[string]map[string]string{
		"ten million rows":       {sheetPart: rowsStart + headRow + "¦10000000×<row/>¦" + rowsEnd},
		"a row without end":      {sheetPart: rowsStart + headRow + "<row>¦10000000×<c><v>1</v></c>¦</row>" + rowsEnd},
		"hundreds of megabytes":  {sheetPart: rowsStart + headRow + "¦20000×<x y='" + strings.Repeat("0", 10_000) + "'/>¦" + rowsEnd},
		"one long text":          {sheetPart: rowsStart + headRow + "<row><c><v>¦100000000×0¦</v></c></row>" + rowsEnd},
		"one long attribute":     {sheetPart: rowsStart + headRow + `<row r="¦100000000×0¦"/>` + rowsEnd},
		"many shared texts":      {"xl/sharedStrings.xml": "<sst>¦3000000×<si/>¦</sst>"},
		"a text used often":      {"xl/sharedStrings.xml": "<sst><si><t>¦500000×x¦</t></si></sst>", sheetPart: rowsStart + headRow + "<row>¦5000×<c t=\"s\"><v>0</v></c>¦</row>" + rowsEnd},
		"many styles":            {"xl/styles.xml": "<styleSheet><cellXfs>¦3000000×<xf/>¦</cellXfs></styleSheet>"},
		"a row far below":        {sheetPart: rowsStart + headRow + `<row r="2000000000"><c><v>1</v></c></row>` + rowsEnd},
		"a column far right":     {sheetPart: rowsStart + headRow + `<row><c r="ZZZZZZZZZZZZZZZZ9"><v>1</v></c></row>` + rowsEnd},
		"elements in each other": {sheetPart: rowsStart + "¦10000000×<a>¦"},
	} {
		parts := maps.Clone(sample)
		maps.Copy(parts, change)
		raw := zipOf(t, parts)
		require.Less(t, len(raw), MaxFile, name)
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		_, err := Read(raw, &Mapping{}, 0)
		runtime.ReadMemStats(&after)
		require.Error(t, err, name)
		assert.Regexp(t, "the workbook is (too large|damaged)", err.Error(), name)
		held := after.HeapSys - min(before.HeapSys, after.HeapSys)
		t.Logf("%s: %d bytes, %.1f MB more from the system", name, len(raw), float64(held)/1e6)
		assert.Less(t, held, uint64(100<<20), name)
	}
}

// A file that is cut, changed or not what it seems is one clear sentence, never a table
// that lacks rows.
func TestBrokenWorkbooks(t *testing.T) {
	sample, raw := partsOf(t), testdata(t, "bench-east.xlsx")
	whole, err := Read(raw, &Mapping{}, 0)
	require.NoError(t, err)
	for cut := 4; cut < len(raw); cut += 37 {
		_, err := Read(raw[:cut], &Mapping{}, 0)
		assert.ErrorContains(t, err, "the workbook is damaged", cut)
	}
	for at := 4; at < len(raw); at += 11 {
		changed := bytes.Clone(raw)
		changed[at] ^= 0x55
		if table, err := Read(changed, &Mapping{}, 0); err == nil {
			assert.Equal(t, whole.text, table.text, at)
		}
	}
	for name, change := range map[string]map[string]string{
		"the sheet ends early":     {sheetPart: rowsStart + headRow},
		"a text that is not there": {sheetPart: rowsStart + headRow + `<row><c t="s"><v>-1</v></c></row>` + rowsEnd},
		"a word for a number":      {sheetPart: rowsStart + headRow + `<row><c><v>seven</v></c></row>` + rowsEnd},
		"rows out of order":        {sheetPart: rowsStart + `<row r="7"/>` + headRow + `<row r="3"/>` + rowsEnd},
		"cells out of order":       {sheetPart: rowsStart + `<row><c r="B1"/><c r="A1"/></row>` + rowsEnd},
		"no sheet":                 {"xl/workbook.xml": `<workbook/>`},
		"another alphabet":         {sheetPart: `<?xml version="1.0" encoding="UTF-16"?>` + rowsStart + rowsEnd},
	} {
		parts := maps.Clone(sample)
		maps.Copy(parts, change)
		_, err := Read(zipOf(t, parts), &Mapping{}, 0)
		assert.ErrorContains(t, err, "the workbook is damaged", name)
	}
	_, err = Read(zipOf(t, map[string]string{"content.xml": "<x/>"}), &Mapping{}, 0)
	assert.ErrorContains(t, err, "this is not an .xlsx workbook")
}
