package wire

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestSampleWithSemicolons(t *testing.T) {
	lines := slices.Collect(CSV(bytes.NewReader(sample(t, "semicolon.csv"))))
	require.Len(t, lines, 2, "a row of empty cells is a blank line")
	assert.Equal(t, drift.Record{
		Type: drift.TypeCalibration, Machine: "K-12", Model: "type-1", Time: time.Date(2026, 3, 2, 8, 10, 0, 0, time.FixedZone("", 3600)),
		Extra: []byte(`{"van":"7"}`),
		Calibration: &drift.Calibration{
			Attempts: drift.Some(int64(3)), Passed: drift.Some(true), PowerCorrection: drift.Some(2.2),
			Temperature: drift.Some(-1.5), Humidity: drift.Some(81.0), Altitude: drift.Some(640.0),
		},
	}, lines[0].Record)
	assert.Equal(t, drift.Some(12.25), lines[1].Record.Calibration.Temperature, "a decimal point is read too")
	assert.Equal(t, `{"van":"north; the old one"}`, string(lines[1].Record.Extra))
	assert.Equal(t, `calibration;K-13;type-1;2026-03-02T07:05:00Z;;false;;12.25;;;"north; the old one";`, string(lines[1].Raw))
}

func TestCSVRows(t *testing.T) {
	const header = "type,machine,site,passed,temperature_c,attempt,extra,fields,corrects,reason,,time\n"
	const quotes = "a quote in this row is not closed on its line, or is inside a cell and not doubled"
	for _, c := range []struct{ row, want string }{
		{`calibration,K-07,,true,12.5,1,,,,,,`, "ok"},
		{`"calibration","K-07","yard ""A"", north",false,-3.5,2.0,"{""van"":7}",,,,,2026-03-02T07:45:00Z`, "ok"},
		{`calibration,K-07,, TRUE , +12.5 , 1 ,,,,, , 2026-03-02T07:45:00Z `, "ok"},
		{`calibration,'K-07,,true,,,,,,,,`, `machine is "'K-07": it must be letters, digits, dot, dash or underscore, starting with a letter or digit`},
		{`correction,K-07,,,,,,"{""passed"":null}",a1,misread,,`, "ok"},
		{`calibration,K-07,,true,12.5,1,,,,,`, "the row has 11 cells where the header has 12 columns"},
		{`calibration,K-07,,true,12,5,1,,,,,,`, "the row has 13 cells where the header has 12 columns"},
		{`calibration,K-07,,true,"12,5",1,,,,,,`, `temperature_c is "12,5": it must have a decimal point; a decimal comma is read only in forms and in rows with semicolons`},
		{`calibration,K-07,,true,"1,2,5",1,,,,,,`, `temperature_c is "1,2,5": it must be a number`},
		{`calibration,K-07,,true,cold,1,,,,,,`, `temperature_c is "cold": it must be a number`},
		{`calibration,K-07,,true,NaN,1,,,,,,`, "temperature_c is NaN: it must be a number"},
		{`calibration,K-07,,true,0x1p4,1,,,,,,`, "temperature_c is 0x1p4: it must be a number"},
		{`calibration,K-07,,true,1_0,1,,,,,,`, "temperature_c is 1_0: it must be a number"},
		{`calibration,K-07,,true,61,1,,,,,,`, "temperature_c is 61: it must be from -40 to 60 degrees Celsius"},
		{`calibration,K-07,,yes,,1,,,,,,`, `passed is "yes": it must be true or false`},
		{`calibration,K-07,,,,1,,,,,,`, "passed is missing: what the machine said, true or false, is needed here"},
		{`calibration,K-07,,true,,1.5,,,,,,`, "attempt is 1.5: it must be a whole number"},
		{`calibration,K-07,,true,,1,,,,,x,`, "cell 11 has a value, but its column has no name"},
		{`calibration,K-07,,true,,1,van 7,,,,,`, `extra is "van 7": it must be a JSON object, like {"passed": false}`},
		{`calibration,K-07,,true,,1,"{""a"":1,""a"":2}",,,,,`, `extra is "{\"a\":1,\"a\":2}": it must be a JSON object, like {"passed": false}`},
		{`calibration,K-07,,true,,1,,,,,,2026-03-02 07:45`, `time is "2026-03-02 07:45": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+01:00, or in UTC 2026-03-02T07:45:00Z`},
		{`calibration,K-07,"north,true,,1,,,,,,`, quotes},
		{`calibration,K-07,no"rth,true,,1,,,,,,`, quotes},
		{"calibration,K-07,\xff,true,,1,,,,,,", `site is "\xff": it must be UTF-8 text`},
		{"\x00\x01\x02", "the row has 1 cells where the header has 12 columns"},
	} {
		// The row after shows that reading goes on.
		got := outcome(CSV(strings.NewReader(header + c.row + "\n" + `calibration,K-07,,true,12.5,1,,,,,,`)))
		assert.Equal(t, []string{"2 " + c.want, "3 ok"}, got, c.row)
	}
}

func TestCSVHeader(t *testing.T) {
	for _, c := range []struct{ header, want string }{
		{"type,machine,pased", "1 ended: pased is not a field: did you mean passed? Anything of your own goes into extra"},
		{"Type;Machine", `1 ended: "Type" is not a field: did you mean type? Anything of your own goes into extra`},
		{"type,machine,type", "1 ended: type is in the header twice"},
		{"machine,passed", "1 ended: type is missing from the header: the first row must name the columns, one of them type"},
		{"type,extra,extra.van", "1 ended: extra is in the header both as a whole and in parts: keep one"},
		{"type,fields.passed,fields", "1 ended: fields is in the header both as a whole and in parts: keep one"},
		{"type,fields.pased", "1 ended: pased is not a field: did you mean passed? Anything of your own goes into extra"},
		{"type,extra.", "1 ended: extra. is not a field: did you mean extra? Anything of your own goes into extra"},
		{"type,machine.name", "1 ended: machine.name is not a field: did you mean machine? Anything of your own goes into extra"},
		{`type,"machine`, "1 ended: a quote in this row is not closed on its line, or is inside a cell and not doubled"},
		{"type," + strings.Repeat(",", MaxRecord), "1 ended: the record is longer than 65536 bytes"},
		{"calibration,K-07,true", "1 ended: calibration is not a field of any record; anything of your own goes into extra"},
	} {
		got := outcome(CSV(strings.NewReader(c.header + "\nusage,K-07,1\n")))
		assert.Equal(t, []string{c.want}, got, "%.60s", c.header)
	}
	assert.Empty(t, outcome(CSV(strings.NewReader(""))))
	assert.Empty(t, outcome(CSV(strings.NewReader("type,machine\n"))))
	assert.Equal(t, []string{"3 ok"}, outcome(CSV(strings.NewReader("\n type , machine, arc_count\nusage,K-07,1\n"))))
}

func TestCSVCorrectionInParts(t *testing.T) {
	lines := slices.Collect(CSV(strings.NewReader("type,machine,corrects,reason,fields.temperature_c,fields.passed,extra.by\n" +
		"correction,K-07,a1,misread,12.5, ,Ada\n")))
	require.Len(t, lines, 1)
	require.Nil(t, lines[0].Problem)
	assert.Equal(t, []drift.Change{{Field: "temperature_c", Value: 12.5}}, lines[0].Record.Correction.Changes)
	assert.Equal(t, `{"by":"Ada"}`, string(lines[0].Record.Extra))
}

func TestFormulaCells(t *testing.T) {
	for text, cell := range map[string]string{
		"=1+1": "'=1+1", "+47": "'+47", "-x": "'-x", "@a": "'@a", "'": "''", "'x": "''x", "'=x": "''=x",
		"x=1": "x=1", "": "", "K-07": "K-07",
	} {
		assert.Equal(t, cell, escape(text))
		assert.Equal(t, text, unescape(cell))
	}
	assert.Equal(t, "'x", unescape("'x"), "an apostrophe that guards nothing stays")

	var out bytes.Buffer
	w, err := NewCSVWriter(&out)
	require.NoError(t, err)
	e := drift.Entry{Received: time.Unix(0, 0).UTC(), Record: drift.Record{
		Type: drift.TypeSplice, Machine: "K-07", Site: "=SUM(A1)", Splice: &drift.Splice{Count: drift.Some(int64(1)), Loss: drift.Some(-0.01)},
	}}
	require.NoError(t, w.Write(&e))
	require.NoError(t, w.Flush())
	assert.Contains(t, out.String(), ",'=SUM(A1),")
	assert.Contains(t, out.String(), ",-0.01,", "a number is not text")
}
