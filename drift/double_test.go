package drift_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// came is a calibration from a handler so many minutes after the morning's
// start.
func came(id, via string, minutes int, passed bool, change ...func(*drift.Entry)) drift.Entry {
	e := at(id, minutes)
	e.Type, e.Via, e.Calibration = drift.TypeCalibration, via, &drift.Calibration{Passed: drift.Some(passed)}
	for _, f := range change {
		f(&e)
	}
	return e
}

func TestCounted(t *testing.T) {
	attempt := func(n int64) func(*drift.Entry) {
		return func(e *drift.Entry) { e.Calibration.Attempt = drift.Some(n) }
	}
	whole := func(n int64) func(*drift.Entry) {
		return func(e *drift.Entry) { e.Calibration.Attempts = drift.Some(n) }
	}
	arcs := func(n int64) func(*drift.Entry) { return func(e *drift.Entry) { e.ArcCount = drift.Some(n) } }
	counts := func(yes bool) func(*drift.Entry) { return func(e *drift.Entry) { e.Counts = drift.Some(yes) } }
	service := func(id string, minutes int, action drift.Action, change ...func(*drift.Entry)) drift.Entry {
		e := at(id, minutes)
		e.Type, e.Service = drift.TypeService, &drift.Service{Action: action}
		for _, f := range change {
			f(&e)
		}
		return e
	}
	pair := func(name string) func(*drift.Entry) { return func(e *drift.Entry) { e.Service.Pair = name } }
	machine := []drift.Entry{came("a", "mqtt", 0, false, attempt(1)), came("b", "mqtt", 2, false, attempt(2))}
	with := func(more ...drift.Entry) []drift.Entry { return append(machine[:2:2], more...) }
	for name, c := range map[string]struct {
		entries []drift.Entry
		want    string
		asks    int
	}{
		"nothing":                         {nil, "", 0},
		"one way":                         {machine, "a b", 0},
		"typed after":                     {with(came("c", "form", 10, false, whole(2))), "a b", 1},
		"typed whole by the same handler": {with(came("c", "mqtt", 10, false, whole(2))), "a b", 1},
		"without the number of tries":     {with(came("c", "form", 10, false)), "a b", 1},
		"one try miscounted":              {with(came("c", "form", 10, false, whole(3))), "a b", 1},
		"other result":                    {with(came("c", "form", 10, true, whole(2))), "a b c", 0},
		"many more tries":                 {with(came("c", "form", 10, false, whole(4))), "a b c", 0},
		"much later":                      {with(came("c", "form", 40, false, whole(2))), "a b c", 0},
		"typed, and it went on":           {with(came("c", "form", 3, false, whole(2)), came("d", "mqtt", 5, true, attempt(3))), "a b d", 1},
		"arcs between":                    {[]drift.Entry{came("a", "mqtt", 0, false, attempt(1), arcs(900)), came("c", "form", 10, false, whole(1), arcs(910))}, "a c", 0},
		"two of one way":                  {[]drift.Entry{came("a", "form", 0, false, whole(2)), came("c", "form", 9, true, whole(2))}, "a c", 0},
		"one by one":                      {[]drift.Entry{came("a", "mqtt", 0, false, whole(2)), came("c", "mqtt", 9, false, whole(2))}, "a c", 0},
		"stated to be two":                {with(came("c", "form", 10, false, whole(2), counts(true))), "a b c", 0},
		"stated not to count":             {with(came("c", "form", 10, false, whole(2), counts(false))), "a b", 0},
		"each but once":                   {with(came("c", "form", 10, false, whole(2)), came("d", "http", 12, false, whole(2))), "a b d", 1},
		"cleaned twice":                   {[]drift.Entry{service("a", 0, drift.Cleaned), service("b", 20, drift.Cleaned)}, "a", 1},
		"cleaned again after a try":       {[]drift.Entry{service("a", 0, drift.Cleaned), came("c", "mqtt", 10, false), service("b", 20, drift.Cleaned)}, "a c b", 0},
		"cleaned the day after next":      {[]drift.Entry{service("a", 0, drift.Cleaned), service("b", 2000, drift.Cleaned)}, "a b", 0},
		"two pairs":                       {[]drift.Entry{service("a", 0, drift.Replaced, pair("x")), service("b", 20, drift.Replaced, pair("y"))}, "a b", 0},
		"the fuller stays":                {[]drift.Entry{service("a", 0, drift.Replaced), service("b", 20, drift.Replaced, pair("y"))}, "b", 1},
		"cleaned, then replaced":          {[]drift.Entry{service("a", 0, drift.Cleaned), service("b", 20, drift.Replaced)}, "a b", 0},
	} {
		t.Run(name, func(t *testing.T) {
			got, asked := drift.Counted(c.entries)
			assert.Equal(t, c.want, ids(got))
			assert.Len(t, asked, c.asks)
			for _, q := range asked {
				assert.NotEmpty(t, q.Replies)
				assert.Contains(t, q.Text, "It counts once")
			}
		})
	}
}

// A technician and the crew's lead type the same failed session: two of them send a
// machine to the bench, so it is asked, and both count until somebody has answered.
func TestAFailedSessionTypedTwiceIsAskedAbout(t *testing.T) {
	tried := func(id string, minutes int, change ...func(*drift.Entry)) drift.Entry {
		return came(id, "form", minutes, false, append(change, func(e *drift.Entry) { e.Calibration.Attempts = drift.Some(int64(4)) })...)
	}
	setting := func(x float64) func(*drift.Entry) {
		return func(e *drift.Entry) { e.Calibration.PowerSetting = drift.Some(x) }
	}
	got, asked := drift.Counted([]drift.Entry{tried("a", 0), tried("b", 15)})
	assert.Equal(t, "a b", ids(got))
	require.Len(t, asked, 1)
	assert.Contains(t, asked[0].Text, "A failed calibration with 4 attempts was typed in twice, at ")
	assert.Contains(t, asked[0].Text, "Both count until you answer.")
	assert.Equal(t, []drift.Reply{
		{Say: "One, typed twice", Records: []string{"b"}, Field: "counts", Value: "false"}, {Say: "Two calibrations", Records: []string{"b"}, Field: "counts", Value: "true"},
	}, asked[0].Replies)
	for name, b := range map[string]drift.Entry{
		"much later":     tried("b", 40),
		"other setting":  tried("b", 15, setting(2)),
		"said to be two": tried("b", 15, func(e *drift.Entry) { e.Counts = drift.Some(true) }),
	} {
		_, asked = drift.Counted([]drift.Entry{tried("a", 0, setting(3)), b})
		assert.Empty(t, asked, name)
	}
}

func TestNameKey(t *testing.T) {
	for _, name := range []string{"K-07", "k07", "K_07", "K.7", "K-7"} {
		assert.Equal(t, "k7", drift.NameKey(name), name)
	}
	for _, name := range []string{"K-70", "K-17", "L-07", "K-07a", "K-107"} {
		assert.NotEqual(t, "k7", drift.NameKey(name), name)
	}
	assert.NotEqual(t, drift.NameKey("K-10"), drift.NameKey("K-1"))
}

func TestQuestionsKeepTheLatestOfAKind(t *testing.T) {
	var q drift.Questions
	for n := range 3 {
		q.Ask(drift.Question{Kind: drift.AskHumidity, At: morning.Add(time.Duration(n) * time.Hour), Records: []string{string(rune('a' + n))}, Text: "Was it?"})
	}
	q.Ask(drift.Question{Kind: drift.AskDouble, At: morning, Text: "One?"})
	open := q.Open()
	assert.Len(t, open, 2)
	assert.Equal(t, drift.AskDouble, open[0].Kind)
	assert.Equal(t, "Was it? There are 3 such questions.", open[1].Text)
	assert.Equal(t, []string{"c"}, open[1].Records)
}

func TestNearestName(t *testing.T) {
	known := []string{"K-07", "K-31", "M-12"}
	for typed, want := range map[string]string{"k07": "K-07", "K_7": "K-07", "K-13": "", "K-32": "K-31", "M12": "M-12", "M-2": "M-12", "Q-99": "", "": "", "K": ""} {
		assert.Equal(t, want, drift.NearestName(typed, known), typed)
	}
}
