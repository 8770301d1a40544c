package wire

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// with is a valid calibration with more members.
func with(members string) string {
	return `{"type":"calibration","machine":"K-07","passed":true,` + members + `}`
}

func fixing(fields string) string {
	return `{"type":"correction","machine":"K-07","corrects":"a1","reason":"misread","fields":` + fields + `}`
}

func TestRecord(t *testing.T) {
	r, err := Record([]byte(full))
	require.NoError(t, err)
	assert.Equal(t, drift.Record{
		Type: drift.TypeCalibration, ID: "k07-000042", Machine: "K-07", Model: "type-2", Program: "standard", Site: "North yard", Operator: "Ada",
		Time:   time.Date(2026, 3, 2, 7, 45, 0, 0, time.FixedZone("", 3600)),
		Source: "van-3", Epoch: drift.Some(int64(1)), Seq: drift.Some(int64(42)), ArcCount: drift.Some(int64(1840)),
		Calibration: &drift.Calibration{
			Attempt: drift.Some(int64(1)), Passed: drift.Some(true),
			MeltbackLeft: drift.Some(118.5), MeltbackRight: drift.Some(121.25), Target: drift.Some(120.0), Tolerance: drift.Some(10.0),
			PowerSetting: drift.Some(3.9), PowerCorrection: drift.Some(0.0),
			Temperature: drift.Some(-3.5), Humidity: drift.Some(81.0), Altitude: drift.Some(640.0),
		},
	}, r)
}

func TestRecordTakes(t *testing.T) {
	plain, err := Record([]byte(`{"type":"calibration","machine":"K-07","passed":true,"arc_count":1200}`))
	require.NoError(t, err)
	for name, raw := range map[string]string{
		"any order":                   `{"arc_count":1200,"passed":true,"machine":"K-07","type":"calibration"}`,
		"white space":                 " {\n\t\"type\" : \"calibration\",\r\n \"machine\":\"K-07\",\"passed\":true,\"arc_count\":1200 }\n",
		"null is absent":              with(`"arc_count":1200,"model":null,"temperature_c":null,"time":null,"recleaved":null,"extra":null,"fields":null`),
		"empty text is absent":        with(`"arc_count":1200,"model":"","time":""`),
		"whole numbers in disguise":   with(`"arc_count":1200.0`),
		"whole numbers with exponent": with(`"arc_count":1.2e3`),
		"escapes":                     `{"t\u0079pe":"calibr\u0061tion","machine":"K\u002d07","passed":true,"arc_count":1200}`,
		"an export's envelope":        with(`"arc_count":1200,"received":"2026-03-02T07:45:00Z","via":"mqtt","store_epoch":1,"store_seq":99,"possible_repeat":true`),
	} {
		r, err := Record([]byte(raw))
		assert.NoError(t, err, name)
		assert.Equal(t, plain, r, name)
		assert.Equal(t, plain.Identity(), r.Identity(), name)
	}
}

func TestRecordRefuses(t *testing.T) {
	const zeroTime = "must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+01:00"
	for _, c := range []struct{ raw, sentence string }{
		// What the record is.
		{``, "there is no record here: a record must be one JSON object in braces { }"},
		{` `, "there is no record here: a record must be one JSON object in braces { }"},
		{`42`, "a record must be one JSON object in braces { }, and this does not begin with a brace"},
		{`null`, "a record must be one JSON object in braces { }, and this does not begin with a brace"},
		{"\x1f\x8b\x08\x00", "a record must be one JSON object in braces { }, and this does not begin with a brace"},
		{`[{"type":"usage"}]`, "a record must be one JSON object in braces { }, not a list: send the objects one per line"},
		{`{}`, "type is missing: it says what the record is, one of calibration, service, usage, splice, setup, correction, decision"},
		{`{"type":null}`, "type is missing: it says what the record is, one of calibration, service, usage, splice, setup, correction, decision"},
		{`{"type":"test"}`, `type is "test": it must be one of calibration, service, usage, splice, setup, correction, decision`},
		{`{"type":"calibration","machine":"K-07"}`, "passed is missing: what the machine said, true or false, is needed here"},
		{`{"type":"calibration","passed":true}`, "machine is missing: the name of the splicing machine is needed here"},
		{`{"type":"usage","machine":"K-07","arc_count":7,"passed":true}`, `passed is "true": it does not belong in a usage record`},
		{with(`"fields":{"passed":false}`), "fields does not belong in a calibration record"},
		// Names.
		{with(`"pased":true`), "pased is not a field: did you mean passed? Anything of your own goes into extra"},
		{with(`"Passed":true`), `"Passed" is not a field: did you mean passed? Anything of your own goes into extra`},
		{with(`"voltage_of_the_mains":230`), "voltage_of_the_mains is not a field of any record; anything of your own goes into extra"},
		{with(`"voltage_of_the_mains":null`), "voltage_of_the_mains is not a field of any record; anything of your own goes into extra"},
		{with(`"":1`), `"" is not a field of any record; anything of your own goes into extra`},
		{with(`"machine":"K-08"`), "machine is given twice"},
		{with(`"p\u0061ssed":true`), "passed is given twice"},
		{with(`"zz":1,"zz":2`), "zz is not a field of any record; anything of your own goes into extra"},
		{`{type:"usage"}`, "type must be in double quotes, like every name in JSON"},
		{`{'type':'usage'}`, `"'type'" must be in double quotes, like every name in JSON`},
		// Kinds.
		{with(`"recleaved":"yes"`), `recleaved is "yes": it must be true or false`},
		{with(`"recleaved":"true"`), `recleaved is "true": it must be true or false without quotes`},
		{with(`"recleaved":""`), `recleaved must be true or false`},
		{with(`"recleaved":1`), "recleaved is 1: it must be true or false"},
		{with(`"recleaved":True`), `recleaved is "True": it must be true or false`},
		{with(`"recleaved":[true]`), "recleaved is a list: it must be true or false"},
		{with(`"temperature_c":"12.5"`), "temperature_c is 12.5: it must be a number without quotes"},
		{with(`"temperature_c":"12,5"`), `temperature_c is "12,5": it must be a number`},
		{with(`"temperature_c":"cold"`), `temperature_c is "cold": it must be a number`},
		{with(`"temperature_c":true`), `temperature_c is "true": it must be a number`},
		{with(`"temperature_c":{"v":1}`), "temperature_c is an object: it must be a number"},
		{with(`"temperature_c":12,5`), "temperature_c must have a decimal point, not a comma"},
		{with(`"temperature_c":+12`), "temperature_c is +12: it must be a number"},
		{with(`"temperature_c":.5`), "temperature_c is .5: it must be a number"},
		{with(`"temperature_c":0x10`), "temperature_c must be a number"},
		{with(`"temperature_c":012`), "temperature_c must be a number"},
		{with(`"arc_count":1 200`), "arc_count must be a whole number"},
		{with(`"temperature_c":NaN`), "temperature_c is NaN: it must be a number"},
		{with(`"temperature_c":-Infinity`), "temperature_c is -Infinity: it must be a number"},
		{with(`"temperature_c":1e308`), "temperature_c is 1e308: it must be from -40 to 60 degrees Celsius"},
		{with(`"temperature_c":-1e999`), "temperature_c is -1e999: it must be from -40 to 60 degrees Celsius"},
		{with(`"meltback_left_um":1e-999`), "meltback_left_um is 1e-999: it must be above 0 and at most 2000 micrometres"},
		{with(`"attempt":1.5`), "attempt is 1.5: it must be a whole number"},
		{with(`"attempt":1e300`), "attempt is 1e300: it must be from 1 to 20"},
		{with(`"attempt":21`), "attempt is 21: it must be from 1 to 20"},
		{with(`"seq":9007199254740993`), "seq is 9007199254740993: it must be from 0 to 9007199254740991"},
		{with(`"seq":-99999999999999999999`), "seq is -99999999999999999999: it must be from 0 to 9007199254740991"},
		{with(`"model":7`), "model is 7: it must be text in double quotes"},
		{with(`"model":type-2`), `model is "type-2": it must be text in double quotes`},
		{with(`"model":{"a":"b"}`), "model is an object: it must be text"},
		{with(`"trigger":"rain"`), `trigger is "rain": it must be one of start-of-day, moved, weather, electrode-service, other`},
		{with(`"model":"` + strings.Repeat("x", 65) + `"`), `model is "` + strings.Repeat("x", 60) + `…": it must be at most 64 bytes long, not 65`},
		{with(`"store_seq":"7"`), "store_seq is 7: it must be a whole number without quotes"},
		// Times.
		{with(`"time":"2026-03-02T07:45:00"`), `time is "2026-03-02T07:45:00": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+01:00, or in UTC 2026-03-02T07:45:00Z`},
		{with(`"time":"2026-03-02 07:45"`), `time is "2026-03-02 07:45": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+01:00, or in UTC 2026-03-02T07:45:00Z`},
		{with(`"time":"2026-03-02"`), `time is "2026-03-02": it must be a date and time with its offset from UTC, like 2026-03-02T00:00:00+01:00, or in UTC 2026-03-02T00:00:00Z`},
		{with(`"time":"2026-03-02T07:45:00,25+02:00"`), `time is "2026-03-02T07:45:00,25+02:00": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00.25+02:00`},
		{with(`"time":"2026-03-02T07:45:00+0200"`), `time is "2026-03-02T07:45:00+0200": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+02:00`},
		{with(`"time":"2026-03-02t07:45:00z"`), `time is "2026-03-02t07:45:00z": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00Z`},
		{with(`"time":"2026-03-02T7:45:00Z"`), `time is "2026-03-02T7:45:00Z": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00Z`},
		{with(`"time":1772437500`), "time is 1772437500: it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00Z"},
		{with(`"time":"2.3.2026 07:45"`), `time is "2.3.2026 07:45": it ` + zeroTime},
		{with(`"time":"2026-02-30T07:45:00Z"`), `time is "2026-02-30T07:45:00Z": it ` + zeroTime},
		{with(`"time":"2026-03-02T07:45:00+99:00"`), `time is "2026-03-02T07:45:00+99:00": it ` + zeroTime},
		{with(`"time":"0001-01-01T00:00:00Z"`), `time is "0001-01-01T00:00:00Z": it ` + zeroTime},
		{with(`"time":"0001-01-01T00:00:01+01:00"`), `time is "0001-01-01T00:00:01+01:00": it must be a time in the years 1 to 9999`},
		{with(`"time":"2026-03-02T07:45:00+24:00"`), `time is "2026-03-02T07:45:00+24:00": it ` + zeroTime},
		{with(`"time":true`), `time is "true": it ` + zeroTime},
		{with(`"received":"yesterday"`), `received is "yesterday": it ` + zeroTime},
		// Text that is none.
		{with("\"model\":\"a\xffb\""), "model must be UTF-8 text"},
		{with(`"model":"\ud800"`), "model is not text that JSON can hold: invalid surrogate pair `\\ud800\"}` in string"},
		{with(`"model":"\x"`), "model is not text that JSON can hold: invalid escape sequence `\\x` in string"},
		{with("\"model\":\"a\x00b\""), `model is not text that JSON can hold: invalid character '\x00' in string (expecting non-control character)`},
		{with(`"model":"a\u0000b"`), `model is "a\x00b": it must not contain control characters`},
		{with(`"model":"a\nb"`), `model is "a\nb": it must not contain control characters`},
		// Ends.
		{`{"type":"usage","machine":"K-0`, "the record ends in the middle: it was cut short"},
		{`{"type":"usage","machine":"K-07",`, "the record ends in the middle: it was cut short"},
		{`{"type":"usage","arc_count":`, "the record ends in the middle: it was cut short"},
		{`{`, "the record ends in the middle: it was cut short"},
		{with(`"attempt":1`) + `{}`, "there is more text after the closing brace of the record: one record is one JSON object"},
		{with(`"attempt":1`) + "\x00", "there is more text after the closing brace of the record: one record is one JSON object"},
		{`{"type":"usage",}`, `the record is not JSON from byte 16 on, at ",}": invalid character ',' at start of value`},
		{`{"type":"usage" "machine":"K-07"}`, `the record is not JSON from byte 17 on, at "\"machine\":\"K-07\"}": invalid character '"' after object value (expecting ',' or '}')`},
		{`{"type" "usage"}`, `the record is not JSON from byte 9 on, at "\"usage\"}": invalid character '"' after object name (expecting ':')`},
		// The sender's own.
		{with(`"extra":[1]`), `extra is "[1]": it must be an object, like {"van": 7}`},
		{with(`"extra":{"a":1,"a":2}`), `extra holds "a" twice`},
		{with(`"extra":{"a":{"b":1,"b":2}}`), `extra holds "b" twice`},
		{with(`"extra":{"a":"` + strings.Repeat("x", MaxExtra) + `"}`), "extra is 16392 bytes long: it must be at most 16384"},
		{with(`"extra":{"a":` + strings.Repeat("[", 32) + strings.Repeat("]", 32) + `}`), "extra is nested more than 32 deep"},
		{with(`"extra":{"a":"` + strings.Repeat("x", MaxRecord) + `"}`), "the record is longer than 65536 bytes"},
		// Corrections.
		{fixing(`null`), "fields is missing: the new values is needed here"},
		{fixing(`{}`), "fields is missing: the new values is needed here"},
		{fixing(`[]`), `fields is "[]": it must be an object of new values, like {"passed": false}`},
		{fixing(`{"passed":"no"}`), `passed is "no": it must be true or false`},
		{fixing(`{"pased":true}`), "pased is not a field: did you mean passed? Anything of your own goes into extra"},
		{fixing(`{"temperature_c":99}`), "temperature_c is 99: it must be from -40 to 60 degrees Celsius"},
		{fixing(`{"machine":"K-08"}`), `fields is "machine": it cannot be corrected: it says which record this is`},
		{fixing(`{"extra":{}}`), "extra cannot stand here"},
		{fixing(`{"passed":true,"passed":false}`), `fields holds "passed" twice`},
	} {
		_, err := Record([]byte(c.raw))
		assert.EqualError(t, err, c.sentence, "%.200s", c.raw)
		assert.IsType(t, &drift.Problem{}, err)
	}
}

// Deep nesting is refused before anything is built of it.
func TestDeepNesting(t *testing.T) {
	_, err := Record([]byte(with(`"extra":` + strings.Repeat(`{"a":`, 10_500))))
	assert.ErrorContains(t, err, "exceeded max depth")
}

func TestMinusZeroIsZero(t *testing.T) {
	a, err := Record([]byte(with(`"temperature_c":-0.0`)))
	require.NoError(t, err)
	b, err := Record([]byte(with(`"temperature_c":0`)))
	require.NoError(t, err)
	assert.Equal(t, a.Identity(), b.Identity())
	assert.Equal(t, "0", fmt.Sprint(a.Calibration.Temperature.Or(1)))
}

func TestExtraIsKeptAsItCame(t *testing.T) {
	const own = `{ "b": 1.50,"a":[ null ] }`
	raw := []byte(with(`"extra":` + own))
	r, err := Record(raw)
	require.NoError(t, err)
	clear(raw)
	assert.Equal(t, own, string(r.Extra))
}

func TestCorrectionsComeInTableOrder(t *testing.T) {
	r, err := Record([]byte(fixing(`{"temperature_c":12.50,"attempt":2.0,"passed":null,"time":"2026-03-02T07:45:00Z","model":"type-1"}`)))
	require.NoError(t, err)
	assert.Equal(t, []drift.Change{
		{Field: "model", Value: "type-1"},
		{Field: "time", Value: time.Date(2026, 3, 2, 7, 45, 0, 0, time.UTC)},
		{Field: "attempt", Value: int64(2)},
		{Field: "passed"},
		{Field: "temperature_c", Value: 12.5},
	}, r.Correction.Changes)
}

func TestTimeKeepsItsOffsetWhateverTheComputersZone(t *testing.T) {
	for _, offset := range []string{"Z", "+01:00", "-03:30", "+14:00"} {
		r, err := Record([]byte(with(`"time":"2026-03-02T07:45:00.123456789` + offset + `"`)))
		require.NoError(t, err)
		assert.Equal(t, "2026-03-02T07:45:00.123456789"+offset, r.Time.Format(time.RFC3339Nano))
		assert.NotSame(t, time.Local, r.Time.Location())
	}
}
