package wire

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func TestForm(t *testing.T) {
	v, err := url.ParseQuery("type=calibration&machine=+K-07+&passed=true&temperature_c=-3,5&humidity_pct=81.5&attempt=2&model=&extra.note=wind,+door+open&time=2026-03-02T07:45:00%2B01:00")
	require.NoError(t, err)
	got, err := Form(v)
	require.NoError(t, err)
	want, err := Record([]byte(`{"type":"calibration","machine":"K-07","passed":true,"temperature_c":-3.5,"humidity_pct":81.5,"attempt":2,
		"extra":{"note":"wind, door open"},"time":"2026-03-02T07:45:00+01:00"}`))
	require.NoError(t, err)
	assert.Equal(t, want, got)
}

// Where only one reading is possible, or a program asks, nothing is ambiguous.
func TestDotsInNumbers(t *testing.T) {
	got, err := Form(url.Values{"type": {"calibration"}, "machine": {"K-07"}, "passed": {"true"},
		"altitude_m": {"1,240"}, "temperature_c": {"21.500"}, "arc_count": {"12.345"}, "meltback_left_um": {"1.1250"}})
	require.NoError(t, err)
	want, err := Record([]byte(`{"type":"calibration","machine":"K-07","passed":true,"altitude_m":1.24,"temperature_c":21.5,"arc_count":12345,"meltback_left_um":1.125}`))
	require.NoError(t, err)
	assert.Equal(t, want, got)

	q := url.Values{"machine": {"K-07"}, "temperature_c": {"21.5"}, "humidity_pct": {"40"}, "altitude_m": {"4.512"}}
	_, err = MoveValues(q)
	assert.EqualError(t, err, `altitude_m is 4.512: it can be read as 4512 or as 4,512; write it as one of these`)
	move, err := MoveQuery(q)
	require.NoError(t, err)
	assert.Equal(t, drift.Some(4.512), move.Altitude)
}

func TestFormCorrection(t *testing.T) {
	got, err := Form(url.Values{
		"type": {"correction"}, "machine": {"K-07"}, "corrects": {"a1"}, "reason": {"misread"},
		"fields.temperature_c": {"12,5"}, "fields.passed": {""},
	})
	require.NoError(t, err)
	assert.Equal(t, []drift.Change{{Field: "temperature_c", Value: 12.5}}, got.Correction.Changes)
}

func TestFormRefuses(t *testing.T) {
	for _, c := range []struct{ query, sentence string }{
		{"", "type is missing: it says what the record is, one of calibration, service, usage, splice, setup, correction, decision"},
		{"type=usage&machine=K-07&arc_count=1,5", `arc_count is "1,5": it must be a whole number`},
		{"type=usage&machine=K-07&arc_count=1.234,5", `arc_count is "1.234,5": it must be a whole number`},
		{"type=usage&machine=K-07&arc_count=1&arc_count=2", "arc_count is given twice"},
		{"type=usage&machine=K-07&arccount=1", "arccount is not a field: did you mean arc_count? Anything of your own goes into extra"},
		{"type=usage&machine=K-07&arc_count=1&extra.a=%ff", "extra.a must be UTF-8 text"},
		{"type=usage&machine=K-07&arc_count=1&extra={}&extra.a=1", "extra is given both as a whole and in parts: keep one"},
		{"type=usage&machine=K-07&arc_count=1&fields.site=x", "fields does not belong in a usage record"},
		{"type=correction&machine=K-07&corrects=a1&reason=x&fields={\"site\":\"x\"}&fields.site=y", "fields.site is given twice"},
		{"type=correction&machine=K-07&corrects=a1&reason=x&fields.site=", "fields is missing: the new values is needed here"},
		{"type=calibration&machine=K-07&passed=true&altitude_m=1.240", `altitude_m is 1.240: it can be read as 1240 or as 1,240; write it as one of these`},
		{"type=calibration&machine=K-07&passed=true&meltback_tolerance_um=1.125", `meltback_tolerance_um is 1.125: it can be read as 1125 or as 1,125; write it as one of these`},
		{"type=calibration&machine=K-07&passed=on", `passed is "on": it must be true or false`},
	} {
		v, err := url.ParseQuery(c.query)
		require.NoError(t, err)
		_, err = Form(v)
		assert.EqualError(t, err, c.sentence, c.query)
		assert.IsType(t, &drift.Problem{}, err)
	}
}

func TestMove(t *testing.T) {
	want := advise.Move{
		Machine: "K-07", AskID: "q1", Temperature: drift.Some(-3.5), Humidity: drift.Some(81.0), Altitude: drift.Some(640.0),
		Pressure: drift.Some(939.2), MachineTemperature: drift.Some(70.0),
	}
	want.AsOf = arrival(0)
	got, err := Move([]byte(`{"machine":"K-07","as_of":"2026-03-05T06:30:00Z","ask_id":"q1","temperature_c":-3.5,"humidity_pct":81,"altitude_m":640,"pressure_hpa":939.2,"machine_temperature_c":70}`))
	require.NoError(t, err)
	assert.Equal(t, want, got)

	v, err := url.ParseQuery("machine=K-07&as_of=2026-03-05T06:30:00Z&ask_id=q1&temperature_c=-3,5&humidity_pct=81&altitude_m=640&pressure_hpa=939.2&machine_temperature_c=70&")
	require.NoError(t, err)
	got, err = MoveValues(v)
	require.NoError(t, err)
	assert.Equal(t, want, got)

	got, err = Move([]byte(`{"machine":"K-07","temperature_c":null}`))
	require.NoError(t, err)
	assert.Equal(t, advise.Move{Machine: "K-07"}, got)
}

func TestMoveLines(t *testing.T) {
	in := `{"machine":"K-07"}` + "\r\n\n" + strings.Repeat(" ", MaxRecord) + "{}\n" + `{"machine":"K-08","wind":3}` + "\n" + `{"machine":"K-09"}`
	var got []string
	for l := range MoveLines(io.MultiReader(strings.NewReader(in), iotest.ErrReader(errors.New("line dropped")))) {
		got = append(got, fmt.Sprintf("%d %s %v %v", l.Number, l.Move.Machine, l.Problem, l.Err))
	}
	assert.Equal(t, []string{
		"1 K-07 <nil> <nil>",
		"3  the record is longer than 65536 bytes <nil>",
		"4  wind is not asked in a site check <nil>",
		"5  <nil> line dropped", // half a line may look whole
	}, got)
	for range MoveLines(strings.NewReader(in)) {
		break // a reader may stop
	}
}

func TestMoveRefuses(t *testing.T) {
	for _, c := range []struct{ raw, sentence string }{
		{`{}`, "machine is missing: the name of the splicing machine is needed here"},
		{`[]`, "a record must be one JSON object in braces { }, not a list: send the objects one per line"},
		{`{"machine":"K 07"}`, `machine is "K 07": it must be letters, digits, dot, dash or underscore, starting with a letter or digit`},
		{`{"machine":"K-07","passed":true}`, "passed is not asked in a site check"},
		{`{"machine":"K-07","temperature":3}`, "temperature is not asked in a site check: did you mean temperature_c?"},
		{`{"machine":"K-07","time":"2026-03-02T07:45:00Z"}`, "time is not asked in a site check"},
		{`{"machine":"K-07","as_off":"2026-03-02T07:45:00Z"}`, "as_off is not asked in a site check: did you mean as_of?"},
		{`{"machine":"K-07","as_of":"2026-03-02T07:45:00"}`, `as_of is "2026-03-02T07:45:00": it must be a date and time with its offset from UTC, like 2026-03-02T07:45:00+01:00, or in UTC 2026-03-02T07:45:00Z`},
		{`{"machine":"K-07","ask_id":7}`, "ask_id is 7: it must be text in double quotes"},
		{`{"machine":"K-07","ask_id":"a\nb"}`, `ask_id is "a\nb": it must not contain control characters`},
		{`{"machine":"K-07","humidity_pct":101}`, "humidity_pct is 101: it must be from 0 to 100 percent"},
		{`{"machine":"K-07","humidity_pct":NaN}`, "humidity_pct is NaN: it must be a number"},
		{`{"machine":"K-07","machine":"K-07"}`, "machine is given twice"},
	} {
		_, err := Move([]byte(c.raw))
		assert.EqualError(t, err, c.sentence, c.raw)
		assert.IsType(t, &drift.Problem{}, err)
	}
	for _, c := range []struct{ query, sentence string }{
		{"machine=K-07&humidity_pct=damp", `humidity_pct is "damp": it must be a number`},
		{"machine=K-07&wind=3", "wind is not asked in a site check"},
		{"machine=K-07&machine=K-08", "machine is given twice"},
		{"temperature_c=3", "machine is missing: the name of the splicing machine is needed here"},
	} {
		v, err := url.ParseQuery(c.query)
		require.NoError(t, err)
		_, err = MoveValues(v)
		assert.EqualError(t, err, c.sentence, c.query)
	}
}
