package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/drift"
)

const good = `{"type":"calibration","id":"a1","machine":"K-07","time":"2026-03-02T07:45:00+01:00","passed":true}`

func post(t testing.TB, f *fake, body string) *httptest.ResponseRecorder {
	t.Helper()
	return ask(t, f, httptest.NewRequest("POST", "/api/v1/records", strings.NewReader(body)))
}

func TestPostRecordsStatus(t *testing.T) {
	conflict := func(_ int, o intake.Submission) intake.Receipt {
		return intake.Receipt{Line: o.Line, ID: o.Record.ID, Conflict: o.Record.ID == "a1", Refused: o.Problem}
	}
	duplicate := func(_ int, o intake.Submission) intake.Receipt {
		return intake.Receipt{Line: o.Line, ID: o.Record.ID, Epoch: 1, Seq: 9, Duplicate: true}
	}
	indented := new(bytes.Buffer)
	require.NoError(t, json.Indent(indented, []byte(good), "", "  "))
	for name, c := range map[string]struct {
		body    string
		receipt func(int, intake.Submission) intake.Receipt
		status  int
		answers []string
	}{
		"one":                  {good, nil, 201, []string{`{"id":"a1","epoch":1,"seq":1,"duplicate":false}`}},
		"one over many lines":  {indented.String(), nil, 201, []string{`{"id":"a1","epoch":1,"seq":1,"duplicate":false}`}},
		"again":                {good, duplicate, 201, []string{`{"id":"a1","epoch":1,"seq":9,"duplicate":true}`}},
		"lines":                {good + "\n\n" + strings.Replace(good, "a1", "a2", 1), nil, 201, []string{`{"line":1,"id":"a1","epoch":1,"seq":1,"duplicate":false}`, `{"line":3,"id":"a2","epoch":1,"seq":2,"duplicate":false}`}},
		"one bad line":         {good + "\n{\"type\":\"calibration\",\"machine\":\"K-07\"}", nil, 201, []string{`"seq":1`, `{"line":2,"field":"passed","reason":`}},
		"none good":            {`{"type":"calibration","machine":"K-07"}`, nil, 400, []string{`{"refused":{"field":"passed","reason":`}},
		"unknown field":        {strings.Replace(good, "passed", "pased", 1), nil, 400, []string{`did you mean passed?`}},
		"no line good":         {"{\"type\":1}\n{}", nil, 400, []string{`{"line":1,`, `{"line":2,`}},
		"same id, other body":  {good, conflict, 409, []string{`"conflict":true`}},
		"conflict among taken": {good + "\n" + strings.Replace(good, "a1", "a2", 1), conflict, 201, []string{`"conflict":true`, `"id":"a2"`}},
		"conflict and refused": {good + "\n{}", conflict, 409, []string{`"conflict":true`, `{"line":2`}},
		"empty":                {"", nil, 400, []string{"there is no record"}},
		"only blank lines":     {"\n \n", nil, 400, []string{"there is no record"}},
		"a list":               {"[" + good + "]", nil, 400, []string{`"reason":`}},
		"binary":               {"\x00\xff\xfe\x01PK\x03\x04", nil, 400, []string{`"reason":`}},
		"cut short":            {good[:40], nil, 400, []string{`"reason":`}},
		"too many lines":       {strings.Repeat("x\n", maxLines+1), nil, 413, []string{"20,000"}},
		"10 MB":                {strings.Repeat("x", 10<<20), nil, 413, []string{"larger than 1 MiB"}},
	} {
		t.Run(name, func(t *testing.T) {
			f := &fake{receipt: c.receipt}
			w := post(t, f, c.body)
			assert.Equal(t, c.status, w.Code, w.Body)
			if c.status == http.StatusRequestEntityTooLarge {
				assert.Empty(t, f.taken, "an upload that is too large is not taken in part")
			}
			lines := strings.Split(body(w), "\n")
			require.Len(t, lines, len(c.answers))
			for i, part := range c.answers {
				assert.True(t, json.Valid([]byte(lines[i])), lines[i])
				assert.Contains(t, lines[i], part)
			}
		})
	}
}

func TestPostRecordsOffersWhatCame(t *testing.T) {
	f := &fake{}
	post(t, f, good+"\nrubbish")
	require.Len(t, f.taken, 2)
	assert.Equal(t, "http", f.taken[0].Via)
	assert.Equal(t, "K-07", f.taken[0].Record.Machine)
	assert.Empty(t, f.taken[0].Machine, "HTTP speaks for no machine")
	assert.Equal(t, "rubbish", string(f.taken[1].Raw), "a refused record is kept as it came")
	assert.NotNil(t, f.taken[1].Problem)
}

func TestPostRecordsWithoutStore(t *testing.T) {
	for name, err := range map[string]error{"busy": intake.ErrBusy, "stopping": intake.ErrStopped, "disk": errors.New("no space left on /dev/secret")} {
		t.Run(name, func(t *testing.T) {
			w := post(t, &fake{takeErr: err}, good)
			assert.Equal(t, http.StatusServiceUnavailable, w.Code)
			assert.NotEmpty(t, w.Header().Get("Retry-After"))
			assert.NotContains(t, w.Body.String(), "secret", "outward errors are general")
		})
	}
}

func TestPostRecordsBrokenOff(t *testing.T) {
	f := &fake{}
	w := ask(t, f, httptest.NewRequest("POST", "/api/v1/records", iotest.TimeoutReader(iotest.OneByteReader(strings.NewReader(good)))))
	assert.Equal(t, http.StatusBadRequest, w.Code)
	assert.Empty(t, f.taken)
}

func TestGetAnswers(t *testing.T) {
	for _, c := range []struct {
		path   string
		status int
		part   string
	}{
		{"/api/v1/machines", 200, `[{"machine":"K-11"`},
		{"/api/v1/machines?as_of=2026-03-01T12:00:00Z", 200, `[{"machine":"K-11","model":null`},
		{"/api/v1/machines?as_of=yesterday", 400, `{"field":"as_of","reason":`},
		{"/api/v1/machines?known_at=2026-03-01", 400, `{"field":"known_at","reason":`},
		{"/api/v1/machines/K-07", 200, `"state":"service-soon"`},
		{"/api/v1/machines/K-07?as_of=2026-03-01T12:00:00Z", 200, `"as_of":"2026-03-01T12:00:00Z"`},
		{"/api/v1/machines/K-07?as_of=12", 400, `{"field":"as_of","reason":`},
		{"/api/v1/machines/nobody", 404, `{"field":"machine","reason":`},
		{"/api/v1/machines/K-07/records", 200, `"store_seq":`},
		{"/api/v1/machines/nobody/records", 404, `{"field":"machine","reason":`},
		{"/api/v1/machines/K-07/records?limit=0", 400, `{"field":"limit","reason":`},
		{"/api/v1/machines/K-07/records?limit=10001", 400, `{"field":"limit","reason":`},
		{"/api/v1/machines/K-07/records?since=today", 400, `{"field":"since","reason":`},
		{"/api/v1/machines/K-07/records?after=nothing", 400, `{"field":"after","reason":`},
		{"/api/v1/machines/nobody/records?after=nothing", 404, `{"field":"machine","reason":`},
		{"/api/v1/site-check?machine=K-07&temperature_c=4&humidity_pct=80&altitude_m=1390", 200, `"answer":"recalibrate","wait_minutes":0,"probability_out":0.63`},
		{"/api/v1/site-check?temperature_c=4", 400, `{"field":"machine","reason":`},
		{"/api/v1/site-check?machine=K-07&temperature_c=214", 400, `{"field":"temperature_c","reason":`},
		{"/api/v1/site-check?machine=K-07&temprature_c=4", 400, `did you mean temperature_c?`},
		{"/healthz", 200, "ok"},
		{"/readyz", 200, "ready"},
		{"/api/v1/nothing", 404, ""},
	} {
		t.Run(c.path, func(t *testing.T) {
			w := get(t, yard(), c.path)
			assert.Equal(t, c.status, w.Code, w.Body)
			assert.Contains(t, body(w), c.part)
			if strings.HasPrefix(c.path, "/api/v1/m") && w.Header().Get("Content-Type") == "application/json" {
				assert.True(t, json.Valid(w.Body.Bytes()))
			}
		})
	}
}

// A history read in parts, by the addresses that the answers give, is the whole one.
func TestRecordsInParts(t *testing.T) {
	f := yard()
	h := serverFor(t, f).Handler()
	whole := getFrom(h, "/api/v1/machines/K-07/records")
	assert.Empty(t, whole.Header().Get("Link"))
	parts, path := "", "/api/v1/machines/K-07/records?limit=40"
	for n := 0; path != ""; n++ {
		require.Less(t, n, 20)
		w := getFrom(h, path)
		require.Equal(t, http.StatusOK, w.Code, path)
		require.LessOrEqual(t, strings.Count(w.Body.String(), "\n"), 40)
		parts += w.Body.String()
		path, _, _ = strings.Cut(strings.TrimPrefix(w.Header().Get("Link"), "<"), ">")
	}
	assert.Equal(t, whole.Body.String(), parts)
	history := f.history["K-07"]
	last := history[len(history)-1]
	assert.Empty(t, getFrom(h, "/api/v1/machines/K-07/records?after="+url.QueryEscape(last.ID)).Body.String(), "nothing is new")
	late := getFrom(h, "/api/v1/machines/K-07/records?since="+url.QueryEscape(last.Received.Format(time.RFC3339Nano))).Body.String()
	assert.Contains(t, late, last.ID)
	assert.Less(t, len(late), whole.Body.Len())
}

func TestSiteCheckMomentIsNow(t *testing.T) {
	f := yard()
	get(t, f, "/api/v1/site-check?machine=K-07&temperature_c=-8,5")
	require.Len(t, f.asked, 1)
	assert.True(t, f.asked[0].AsOf.Equal(noon))
	assert.Equal(t, drift.Some(-8.5), f.asked[0].Temperature, "a decimal comma is a decimal point")
}

func TestSiteCheckFleetErrors(t *testing.T) {
	f := yard()
	f.moveErr = &drift.Problem{Field: "machine", Value: "K-7", Reason: "is not known here"}
	assert.Equal(t, 400, get(t, f, "/api/v1/site-check?machine=K-7").Code)
	f.moveErr = errors.New("the model is on fire")
	w := get(t, f, "/api/v1/site-check?machine=K-7")
	assert.Equal(t, 500, w.Code)
	assert.NotContains(t, w.Body.String(), "fire")
}

func TestMachinesIsAListWhenEmpty(t *testing.T) {
	assert.Equal(t, "[]", body(get(t, &fake{version: 1}, "/api/v1/machines")))
}

func TestReadyz(t *testing.T) {
	w := get(t, &fake{notReady: errors.New("disk full")}, "/readyz")
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.NotEmpty(t, w.Header().Get("Retry-After"))
}

// Every record that is answered reads again as the same record.
func TestRecordsReadAgain(t *testing.T) {
	f := yard()
	w := get(t, f, "/api/v1/machines/K-07/records")
	again := post(t, f, w.Body.String())
	assert.Equal(t, http.StatusCreated, again.Code)
	require.Len(t, f.taken, len(f.history["K-07"]))
	for i, e := range f.history["K-07"] {
		require.Nil(t, f.taken[i].Problem)
		assert.True(t, e.Record.SameBody(&f.taken[i].Record))
	}
}

func TestMetricsHandlerIsMounted(t *testing.T) {
	s := serverFor(t, yard())
	s.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { plain(w, 200, "arcdrift_build_info 1\n") })
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Host = "127.0.0.1:9090"
	s.Handler().ServeHTTP(w, r)
	assert.Contains(t, body(w), "arcdrift_build_info")
}
