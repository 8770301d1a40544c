package web

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func submit(t testing.TB, f *fake, path string, pairs ...string) *httptest.ResponseRecorder {
	t.Helper()
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	r := httptest.NewRequest("POST", path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return ask(t, f, r)
}

func TestLogMakesTheRecord(t *testing.T) {
	f := yard()
	w := submit(t, f, "/log", "id", "form-1", "machine", "K-07", "passed", "true", "attempts", "3", "minutes", "30", "recleaved", "true",
		"cleaver", "another", "trigger", "moved", "site", "Tarn Pass", "temperature_c", "\u22128,5", "altitude_m", "210", "arc_count", "1903", "pressed", "")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	checkHTML(t, w.Body.String())
	require.Len(t, f.taken, 1)
	got := f.taken[0]
	assert.Equal(t, "form", got.Via)
	want := drift.Record{Type: drift.TypeCalibration, ID: "form-1", Machine: "K-07", Site: "Tarn Pass", Time: noon.Add(-30 * time.Minute), ArcCount: some(int64(1903)), Calibration: &drift.Calibration{
		Attempts: some(int64(3)), Passed: some(true), Recleaved: some(true), Cleaver: "another", Trigger: "moved", Temperature: some(-8.5), Altitude: some(210.0)}}
	assert.True(t, want.SameBody(&got.Record), "%s", got.Record.AppendCanonical(nil))
	assert.Contains(t, text(t, w), "K-07 Calibration passed, 3 attempts, 11:30")
}

func TestLogUnitsAreStoredInSI(t *testing.T) {
	f := yard()
	w := submit(t, f, "/log", "id", "form-1", "machine", "K-07", "passed", "true", "units", "us", "temperature_c", "17,6", "altitude_m", "4560", "pressure_hpa", "29.92")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	c := f.taken[0].Record.Calibration
	// Exact: (17.6 − 32) × 5/9 = −8; 4560 × 0.3048 = 1389.888. 29.92 inHg is
	// 1013.2 hPa (the altimeter setting of the standard atmosphere, ICAO Doc 7488).
	assert.InDelta(t, -8, c.Temperature.Or(0), 1e-9)
	assert.InDelta(t, 1389.888, c.Altitude.Or(0), 0.005, "kept to a hundredth")
	assert.InDelta(t, 1013.2, c.Pressure.Or(0), 0.05)
}

func TestUnitsShowWhatWasTyped(t *testing.T) {
	us := units{American: true}
	for field, shown := range map[string]string{"temperature_c": "18", "altitude_m": "4560", "pressure_hpa": "29.92", "humidity_pct": "70"} {
		si := us.toSI(url.Values{field: {shown}}).Get(field)
		f, _ := drift.FieldNamed(field)
		require.NotNil(t, f)
		assert.Equal(t, shown, us.show(field, mustFloat(t, si)), field)
	}
}

func mustFloat(t testing.TB, s string) float64 {
	t.Helper()
	var x drift.Opt[float64]
	require.NoError(t, x.UnmarshalJSON([]byte(s)))
	return x.Or(0)
}

// The same form sent twice, a few seconds apart, is one and the same record.
func TestLogTwiceIsTheSameRecord(t *testing.T) {
	f := yard()
	for range 2 {
		submit(t, f, "/log", "id", "form-1", "machine", "K-07", "passed", "false", "minutes", "15", "pressed", noon.Add(-20*time.Second).UTC().Format(time.RFC3339))
	}
	require.Len(t, f.taken, 2)
	assert.Equal(t, f.taken[0].Record.ID, f.taken[1].Record.ID)
	assert.True(t, f.taken[0].Record.SameBody(&f.taken[1].Record))
	assert.True(t, f.taken[0].Record.Time.Equal(noon.Add(-15*time.Minute-20*time.Second)))
}

func TestLogTrustsNoOddClock(t *testing.T) {
	for _, pressed := range []string{"", "soon", noon.Add(time.Hour).Format(time.RFC3339), noon.Add(-48 * time.Hour).Format(time.RFC3339)} {
		f := yard()
		submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "true", "pressed", pressed)
		require.Len(t, f.taken, 1)
		assert.True(t, f.taken[0].Record.Time.Equal(noon), pressed)
	}
}

func TestLogSameAir(t *testing.T) {
	f := yard()
	submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "true", "air", "temperature_c=-8&humidity_pct=70&altitude_m=210", "humidity_pct", "55")
	c := f.taken[0].Record.Calibration
	assert.Equal(t, some(-8.0), c.Temperature)
	assert.Equal(t, some(55.0), c.Humidity, "what was typed wins over what was before")
}

// A history grows for years, and a crew waits for the form at the machine.
func TestFormsDoNotReadAWholeHistory(t *testing.T) {
	f := yard()
	for _, path := range []string{"/log?machine=K-07", "/moved?machine=K-07", "/correct?machine=K-07&corrects=K-07-5"} {
		w := get(t, f, path)
		require.Equal(t, 200, w.Code, path)
	}
	assert.Zero(t, f.wholeReads.Load())
}

func TestLogFaultsAreForThePersonToCorrect(t *testing.T) {
	for name, c := range map[string]struct {
		pairs []string
		part  string
	}{
		"no machine":     {[]string{"id", "x", "passed", "true"}, "Machine is missing."},
		"no result":      {[]string{"id", "x", "machine", "K-07"}, "What the machine said is missing."},
		"too hot":        {[]string{"id", "x", "machine", "K-07", "passed", "true", "temperature_c", "214"}, "Air temperature is 214: it must be from −40 to 60 °C."},
		"too hot, in °F": {[]string{"id", "x", "machine", "K-07", "passed", "true", "units", "us", "temperature_c", "214"}, "Air temperature is 214: it must be from −40 to 140 °F."},
		"not numeric":    {[]string{"id", "x", "machine", "K-07", "passed", "true", "altitude_m", "up"}, `Altitude above sea level is "up"`},
	} {
		t.Run(name, func(t *testing.T) {
			f := yard()
			w := submit(t, f, "/log", c.pairs...)
			assert.Equal(t, http.StatusBadRequest, w.Code)
			assert.Empty(t, f.taken)
			page := w.Body.String()
			checkHTML(t, page)
			assert.Contains(t, page, `name="id" value="x"`, "still the same record")
			assert.Contains(t, text(t, w), c.part)
		})
	}
}

// All that is wrong is said at once, each at its field and in a list that leads there,
// and everything that was typed is still in the form.
func TestARefusedFormKeepsEverything(t *testing.T) {
	f := yard()
	w := submit(t, f, "/log", "id", "x", "machine", "K-07", "attempts", "3", "recleaved", "true", "cleaver", "another", "minutes", "30", "trigger", "weather", "site", "Tarn Pass", "temperature_c", "214", "altitude_m", "up", "arc_count", "77")
	require.Equal(t, http.StatusBadRequest, w.Code)
	page := w.Body.String()
	checkHTML(t, page)
	for _, field := range []string{"passed", "temperature_c", "altitude_m"} {
		assert.Contains(t, page, `href="#`+field+`"`)
		assert.Contains(t, page, `id="`+field+`"`)
	}
	assert.Equal(t, 3, strings.Count(page, `class="wrong"`))
	for _, kept := range []string{`value="3" checked`, `value="another" checked`, `value="30" checked`, `value="weather" checked`, `value="Tarn Pass"`, `value="214"`, `value="up"`, `value="77"`} {
		assert.Contains(t, page, kept)
	}
	w = submit(t, f, "/service", "id", "x", "machine", "K-11", "found", "true", "found_correction_pct", "900", "finding", "dirty", "pair", "lot 9", "arc_count", "-1", "operator", "A. Ruiz")
	page = w.Body.String()
	checkHTML(t, page)
	for _, field := range []string{"action", "found_correction_pct", "arc_count"} {
		assert.Contains(t, page, `href="#`+field+`"`)
		assert.Contains(t, page, `id="`+field+`"`)
	}
	assert.Equal(t, 3, strings.Count(page, `class="wrong"`))
	for _, kept := range []string{`value="900"`, `value="dirty" checked`, `value="lot 9"`, `value="A. Ruiz"`} {
		assert.Contains(t, page, kept)
	}
	assert.Empty(t, f.taken)
}

// A name that no record bears and that is close to a known one is asked about; the form
// keeps the rest. Whoever says that it is new is believed.
func TestASlipInTheMachineIsAskedAbout(t *testing.T) {
	for _, path := range []string{"/log", "/service"} {
		f := yard()
		w := submit(t, f, path, "id", "x", "machine", "K_7", "passed", "false", "action", "cleaned", "finding", "dirty")
		require.Equal(t, http.StatusBadRequest, w.Code)
		page := w.Body.String()
		checkHTML(t, page)
		assert.Contains(t, text(t, w), `Machine is "K_7": it is not known here. Did you mean K-07?`)
		assert.Contains(t, page, `name="machine" value="K-07"`)
		assert.Contains(t, page, `name="new_machine" value="K_7"`)
		assert.Empty(t, f.taken)
		w = submit(t, f, path, "id", "x", "machine", "K_7", "new_machine", "K_7", "passed", "false", "action", "cleaned")
		assert.Equal(t, http.StatusCreated, w.Code)
		w = submit(t, f, path, "id", "y", "machine", "Z-500", "passed", "false", "action", "cleaned")
		assert.Equal(t, http.StatusCreated, w.Code, "a name that is like no other is a new machine")
		w = submit(t, f, path, "id", "y", "machine", "K 07", "passed", "false", "action", "cleaned")
		assert.Contains(t, w.Body.String(), `value="K 07"`, "a name that cannot be one can be corrected")
	}
}

// Worn or dirty electrodes that nobody has touched yet: what will be done?
func TestAnInspectionAsksWhatIsDone(t *testing.T) {
	w := submit(t, yard(), "/service", "id", "x", "machine", "K-11", "action", "inspected", "finding", "worn")
	require.Equal(t, http.StatusCreated, w.Code)
	page := w.Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, "Electrodes inspected, found worn")
	assert.Contains(t, page, "What will be done about it?")
	assert.Contains(t, page, `href="/service?machine=K-11&amp;action=replaced&amp;finding=worn"`)
	assert.Contains(t, page, "Before you open the machine")
	for _, pairs := range [][]string{{"action", "inspected", "finding", "fine"}, {"action", "replaced", "finding", "worn"}} {
		w := submit(t, yard(), "/service", append([]string{"id", "x", "machine", "K-11"}, pairs...)...)
		assert.NotContains(t, text(t, w), "What will be done")
	}
}

func TestLogKeepsWhatWasTypedWhenTheStoreCannot(t *testing.T) {
	f := yard()
	f.takeErr = errors.New("disk full")
	w := submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "false", "temperature_c", "-8")
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	page := w.Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, "Not saved.")
	assert.Contains(t, page, `value="-8"`)
	assert.Contains(t, page, `value="false" checked`)
	assert.NotContains(t, page, "disk full")
}

func TestLogAsksAndNeverBlocks(t *testing.T) {
	f := yard()
	f.receipt = func(_ int, o intake.Submission) intake.Receipt {
		return intake.Receipt{ID: o.Record.ID, Epoch: 1, Seq: 1, Questions: []string{"A pressure of 795 hPa is usual at about 2,000 m, and the record says 200 m: which is right?"}}
	}
	w := submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "true", "pressure_hpa", "795", "altitude_m", "200")
	assert.Equal(t, http.StatusCreated, w.Code)
	seen := text(t, w)
	assert.Contains(t, seen, "which is right?")
	assert.Contains(t, seen, "The record is saved.")
}

func TestLogRemembersTheMachine(t *testing.T) {
	f := yard()
	w := submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "true")
	r := httptest.NewRequest("GET", "/log", nil)
	for _, c := range w.Result().Cookies() {
		assert.True(t, c.HttpOnly)
		assert.Equal(t, http.SameSiteStrictMode, c.SameSite)
		r.AddCookie(c)
	}
	assert.Contains(t, ask(t, f, r).Body.String(), `name="machine" value="K-07"`)
	choose := httptest.NewRequest("GET", "/log?choose=1", nil)
	for _, c := range w.Result().Cookies() {
		choose.AddCookie(c)
	}
	assert.Contains(t, ask(t, f, choose).Body.String(), "Which machine?")
}

func TestFormTooLarge(t *testing.T) {
	for _, path := range []string{"/log", "/service"} {
		assert.Equal(t, http.StatusRequestEntityTooLarge, submit(t, yard(), path, "machine", strings.Repeat("x", 2<<20)).Code)
		r := httptest.NewRequest("POST", path, strings.NewReader("%zz=1"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		assert.Equal(t, http.StatusBadRequest, ask(t, yard(), r).Code)
	}
}

func TestBenchMakesThreeRecordsInOrder(t *testing.T) {
	f := yard()
	w := submit(t, f, "/service", "id", "b1", "machine", "K-11", "found", "false", "action", "replaced", "finding", "worn", "pair", "lot 118", "arc_count", "0", "left", "true", "operator", "A. Ruiz", "found_correction_pct", "\u22126,5", "left_correction_pct", "0")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	checkHTML(t, w.Body.String())
	require.Len(t, f.taken, 3)
	found, work, left := f.taken[0].Record, f.taken[1].Record, f.taken[2].Record
	assert.Equal(t, some(false), found.Calibration.Passed)
	assert.Equal(t, some(-6.5), found.Calibration.PowerCorrection)
	assert.Equal(t, some(0.0), left.Calibration.PowerCorrection)
	assert.Equal(t, drift.Service{Action: drift.Replaced, Pair: "lot 118", Finding: drift.Worn}, *work.Service)
	assert.Equal(t, some(int64(0)), work.ArcCount)
	assert.Equal(t, some(true), left.Calibration.Passed)
	assert.True(t, found.Time.Before(work.Time) && work.Time.Before(left.Time))
	ids := map[string]bool{}
	for _, o := range f.taken {
		assert.Equal(t, "A. Ruiz", o.Record.Operator)
		ids[o.Record.ID] = true
	}
	assert.Len(t, ids, 3)
	assert.Contains(t, text(t, w), "Calibration failed · Electrodes replaced, found worn · Calibration passed, 12:00 UTC+1, signed A. Ruiz")
}

func TestBenchFaults(t *testing.T) {
	f := yard()
	for _, pairs := range [][]string{
		{"id", "b1", "machine", "K-11"},
		{"id", "b1", "action", "cleaned"},
		{"id", "b1", "machine", "K-11", "action", "cleaned", "arc_count", "-5"},
		{"id", "b1", "machine", "K-11", "action", "cleaned", "found", "perhaps"},
		{"id", "b1", "machine", "K-11", "action", "cleaned", "found", "true", "found_correction_pct", "900"},
	} {
		w := submit(t, f, "/service", pairs...)
		assert.Equal(t, http.StatusBadRequest, w.Code)
		checkHTML(t, w.Body.String())
	}
	assert.Empty(t, f.taken, "all of the work or nothing")
	f.takeErr = intake.ErrBusy
	assert.Equal(t, http.StatusServiceUnavailable, submit(t, f, "/service", "id", "b1", "machine", "K-11", "action", "cleaned").Code)
}

func TestBenchShowsCautions(t *testing.T) {
	assert.Contains(t, get(t, yard(), "/service?machine=K-11").Body.String(), "Before you open the machine")
}

func TestCorrectTellsOnlyWhatChanged(t *testing.T) {
	f := yard()
	w := submit(t, f, "/correct", "id", "c1", "machine", "K-07", "corrects", "K-07-5", "reason", "typing slip", "operator", "J. Lund",
		"fields.passed", "false", "fields.temperature_c", "-8", "fields.altitude_m", "2100,5", "fields.program", "single-mode")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	checkHTML(t, w.Body.String())
	require.Len(t, f.taken, 1)
	r := f.taken[0].Record
	want := []drift.Change{{Field: "altitude_m", Value: 2100.5}}
	if f.history["K-07"][5].Calibration.Passed.Or(false) {
		want = []drift.Change{{Field: "passed", Value: false}, {Field: "altitude_m", Value: 2100.5}}
	}
	assert.ElementsMatch(t, want, r.Correction.Changes)
	assert.Equal(t, "K-07-5", r.Correction.Corrects)
	assert.Equal(t, "J. Lund", r.Operator)
	assert.Contains(t, text(t, w), "altitude 210 → 2100.5 m")
}

func TestCorrectFaults(t *testing.T) {
	same := []string{"id", "c1", "machine", "K-07", "corrects", "K-07-5", "reason", "typing slip"}
	for name, c := range map[string]struct {
		pairs  []string
		status int
		part   string
	}{
		"nothing changed": {same, 400, "Please correct: Nothing has been changed yet."},
		"no reason":       {[]string{"id", "c1", "machine", "K-07", "corrects", "K-07-5", "fields.altitude_m", "5"}, 400, "Why it is corrected is missing."},
		"out of bounds":   {append(same[:8:8], "fields.altitude_m", "99999"), 400, "Altitude above sea level is 99999: it must be from −430 to 6000 m."},
		"no such record":  {[]string{"machine", "K-07", "corrects", "none"}, 404, "No record of this machine"},
	} {
		t.Run(name, func(t *testing.T) {
			f := yard()
			w := submit(t, f, "/correct", c.pairs...)
			assert.Equal(t, c.status, w.Code)
			checkHTML(t, w.Body.String())
			assert.Contains(t, text(t, w), c.part)
			assert.Empty(t, f.taken)
		})
	}
	f := yard()
	f.takeErr = intake.ErrBusy
	w := submit(t, f, "/correct", append(same[:8:8], "fields.altitude_m", "2100")...)
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	page := w.Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, `value="2100"`, "what was typed is still there")
}

func TestMorningList(t *testing.T) {
	f := yard()
	w := get(t, f, "/morning")
	seen := text(t, w)
	assert.Contains(t, seen, "6 machines: 1 stop, 1 check first, 1 service soon, 1 no data, 2 fit.")
	assert.Contains(t, seen, "K-11 new since yesterday Do not use this machine. Replace the electrodes by Mon 2 Mar.")
	assert.NotContains(t, seen, "M-02 new since")
	assert.Contains(t, seen, "Before you open the machine")
	assert.NotContains(t, seen, "M-09", "who is fit needs no line")
}

// Who must not leave the yard does not wait for what is new since yesterday: that
// follows, and the page says so.
func TestMorningDoesNotWaitForYesterday(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	s.before.patience = 0
	release := make(chan struct{})
	asked := 0
	s.before.assess = func(asOf time.Time) ([]advise.Assessment, error) {
		asked++
		assert.Equal(t, noon.AddDate(0, 0, -1), asOf)
		<-release
		return f.before, nil
	}
	look := func() (seen, tag string) {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, localRequest("GET", "/morning"))
		checkHTML(t, w.Body.String())
		tag = w.Header().Get("ETag")
		return text(t, w), tag
	}
	for range 2 { // asked again, it is not begun again
		seen, tag := look()
		assert.Equal(t, partial, tag)
		assert.Contains(t, seen, "appear here automatically")
		assert.Contains(t, seen, "K-11 Do not use this machine.")
	}
	close(release)
	<-s.before.work.done
	s.before.patience = time.Minute
	seen, tag := look()
	assert.Empty(t, tag)
	assert.Contains(t, seen, "K-11 new since yesterday")
	assert.Equal(t, 1, asked)
}

// What could not be worked out is not kept: the next who asks has it tried again.
func TestYesterdayIsTriedAgain(t *testing.T) {
	fails := true
	y := &yesterday{assess: func(time.Time) ([]advise.Assessment, error) {
		if fails {
			return nil, errors.New("disk full")
		}
		return []advise.Assessment{{Machine: "K-11", State: advise.Stop}}, nil
	}}
	_, _, err := y.states(t.Context(), noon)
	assert.ErrorContains(t, err, "disk full")
	fails = false
	states, there, err := y.states(t.Context(), noon)
	require.NoError(t, err)
	assert.True(t, there)
	assert.Equal(t, map[string]advise.State{"K-11": advise.Stop}, states)
}

func TestMorningListNewFirst(t *testing.T) {
	f := yard()
	for i := range f.machines {
		f.machines[i].State = advise.Stop
	}
	f.before = []advise.Assessment{{Machine: "K-11", State: advise.Stop}}
	view, err := serverFor(t, f).morningView(t.Context(), time.Minute)
	require.NoError(t, err)
	list := view.Groups[0].Machines
	assert.Equal(t, "M-02", list[0].Machine)
	assert.Equal(t, "K-11", list[len(list)-1].Machine)
}

func TestMorningText(t *testing.T) {
	w := get(t, yard(), "/morning.txt")
	assert.Equal(t, "text/plain; charset=utf-8", w.Header().Get("Content-Type"))
	lines := w.Body.String()
	assert.Contains(t, lines, "\nSTOP\n  K-11 NEW  Do not use this machine. Replace the electrodes by Mon 2 Mar.\n      4 attempts in a row failed")
	assert.Contains(t, lines, "Switch the machine off, unplug it")
	for line := range strings.Lines(lines) {
		assert.LessOrEqual(t, len([]rune(line)), 120)
	}
}

func TestMorningOfNothing(t *testing.T) {
	w := get(t, &fake{}, "/morning")
	assert.Contains(t, w.Body.String(), "Nothing to do this morning")
}

func TestRefusedPage(t *testing.T) {
	w := get(t, yard(), "/refused")
	checkHTML(t, w.Body.String())
	seen := text(t, w)
	assert.Contains(t, seen, "temperature_c is 214: it must be from -40 to 60 degrees Celsius")
	assert.Contains(t, seen, "received 3 times")
	assert.Contains(t, seen, "This is not JSON")
	assert.Contains(t, seen, `"\x00\x01<script>alert(1)</script>"`)
	assert.Contains(t, get(t, &fake{}, "/refused").Body.String(), "No record has been refused.")
}

func TestLegible(t *testing.T) {
	for raw, want := range map[string]string{
		"plain\ttext": "plain\ttext", "\xff\xfe": `"\xff\xfe"`, "a\x00": `"a\x00"`,
	} {
		assert.Equal(t, want, legible([]byte(raw), 0))
	}
	long := legible([]byte(strings.Repeat("ø", 16<<10)), 1_000_000)
	assert.Less(t, len(long), 2000)
	assert.Contains(t, long, "bytes more")
}

func TestSentencesInTheReadersUnits(t *testing.T) {
	us := units{American: true}
	for said, want := range map[string]string{
		"Compared with the last calibration: 1,180\u00a0m higher, 10\u00a0°C warmer, 2 days later.":                     "Compared with the last calibration: 3,870\u00a0ft higher, 18\u00a0°F warmer, 2 days later.",
		"Compared with the last calibration: same height, 1\u00a0°C cooler, 3 hours later.":                             "Compared with the last calibration: same height, 2\u00a0°F cooler, 3 hours later.",
		"Wait 25 minutes with the lid shut: the machine is at −5\u00a0°C, and water condenses here below 13.1\u00a0°C.": "Wait 25 minutes with the lid shut: the machine is at 23\u00a0°F, and water condenses here below 56\u00a0°F.",
		"A check costs 5 minutes, being out 60 minutes.":                                                                "A check costs 5 minutes, being out 60 minutes.",
	} {
		assert.Equal(t, want, us.say(said))
		assert.Equal(t, said, units{}.say(said))
	}
	f := yard()
	f.moved.Reasons = []string{"You are 1,180\u00a0m higher than at the last good calibration."}
	assert.Contains(t, text(t, get(t, f, "/moved?machine=K-07&units=us&temperature_c=40&altitude_m=4560")), "3,870 ft higher")
}

// A form is read in the units it was shown in, whatever was chosen meanwhile.
func TestFormsCarryTheirUnits(t *testing.T) {
	for _, path := range []string{"/log?machine=K-07", "/correct?machine=K-07&corrects=K-07-5"} {
		for _, unit := range []string{"us", "si"} {
			assert.Contains(t, get(t, yard(), path+"&units="+unit).Body.String(), `name="units" value="`+unit+`"`)
		}
	}
}
