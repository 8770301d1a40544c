package web

import (
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/backtest"
)

func TestMachineTellsHowItsForecastsTurnedOut(t *testing.T) {
	w := get(t, yard(), "/machines/K-07")
	checkHTML(t, w.Body.String())
	seen := text(t, w)
	for _, part := range []string{
		"3 of 5 can be judged: 1 right, 1 failed sooner, 1 lasted longer.",
		"16 Feb 2026 at 900 arcs on the pair Forecast: 220 to 1,240 more arcs, median 610. Still in use after 310 arcs.",
		"Serviced after 180 arcs.", "Failed after 480 arcs. right", "Failed after 90 arcs. failed sooner", "Failed after 1,900 arcs. lasted longer",
	} {
		assert.Contains(t, seen, part)
	}
	assert.Contains(t, text(t, get(t, yard(), "/machines/M-09")), "A forecast is checked every second week")
	assert.NotContains(t, text(t, get(t, yard(), "/machines/K-07?as_of=2026-02-01T12:00:00Z")), "Forecasts made before")
}

func TestForecastsBeyondTheHorizonAreNoNumbers(t *testing.T) {
	s := pastOn(14, backtest.EndOpen, 0)
	s.Left.P50, s.Left.P90, s.Until = 6000, 6000, time.Time{}
	v := wordEarlier([]backtest.PastForecast{s})
	assert.Equal(t, "None of them can be judged yet.", v.Summary)
	assert.Equal(t, "220 to more than 6,000 more arcs, median more than 6,000", v.Rows[0].Forecast)
	assert.Equal(t, "No records since.", v.Rows[0].Came)
}

// The page does not wait for what takes long, and says that it is not the last
// word.
func TestMachineDoesNotWaitForOldForecasts(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	_, err := s.traces.of(t.Context(), f.machines[2].Assessment)
	require.NoError(t, err)
	f.slow, s.glance = make(chan struct{}), glance
	defer close(f.slow)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, localRequest("GET", "/machines/K-07"))
	assert.Equal(t, partial, w.Header().Get("ETag"))
	assert.Contains(t, text(t, w), "appear here automatically")

	// What was true before the last change is better than nothing.
	s.pasts.put("K-07", version{}, f.pasts["K-07"])
	f.machines[2].Data.Records++
	f.version++
	s.traces.put("K-07", s.traces.version(f.machines[2].Assessment), f.traces["K-07"])
	w = httptest.NewRecorder()
	s.Handler().ServeHTTP(w, localRequest("GET", "/machines/K-07"))
	assert.Equal(t, partial, w.Header().Get("ETag"))
	assert.Contains(t, text(t, w), "3 of 5 can be judged")
}

// A record corrected today is in sight with its old value, however old it is.
func TestLateCorrectionOfAnOldRecordIsShown(t *testing.T) {
	f := longLived(1000)
	old := f.history["K-07"][3]
	f.history["K-07"] = append(f.history["K-07"], drift.Entry{Received: noon, Record: drift.Record{Type: drift.TypeCorrection, ID: "late", Machine: "K-07", Time: noon, Operator: "J. Lund",
		Correction: &drift.Correction{Corrects: old.ID, Reason: "typing slip", Changes: []drift.Change{{Field: "humidity_pct", Value: 33.0}}}}})
	assert.Contains(t, text(t, get(t, f, "/machines/K-07")), "Corrected humidity 70 → 33 % by J. Lund, 2 Mar 2026, 12:00 UTC+1: typing slip")
}

func TestMachineLinksToItsAlert(t *testing.T) {
	f := yard()
	page := get(t, f, "/machines/K-11").Body.String()
	assert.Contains(t, page, `href="/alerts#case-K-11-stop"`)
	assert.Contains(t, page, "sent 2 Mar 2026, 10:00")
	assert.Contains(t, get(t, f, "/alerts").Body.String(), `id="case-K-11-stop"`)
	assert.NotContains(t, get(t, f, "/machines/M-09").Body.String(), "Alert since")
}
