package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// A manager states a lead time for the fleet and another for a site: each is a new record,
// and every page says what holds and from where.
func TestSettingsByScope(t *testing.T) {
	f := yard()
	c := &clerk{t: t, handler: serverFor(t, f).Handler()}
	post := func(scope, name string, pairs ...string) *httptest.ResponseRecorder {
		v := url.Values{"scope": {scope}, "name": {name}, "operator": {"Ada"}}
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		r := httptest.NewRequest("POST", "/settings", strings.NewReader(v.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		return c.send(r)
	}
	assert.Contains(t, post("fleet", "", "lead_time_days", "45", "zone", "Europe/Oslo").Body.String(), "Saved.")
	post("site", "Elm Street depot", "lead_time_days", "20", "depot", "Elm Street")
	post("machine", "K-07", "warm_up_minutes", "25", "retired", "false")
	offers := f.offers()
	require.Len(t, offers, 3)
	assert.Equal(t, "Ada", offers[0].Record.Operator)
	assert.Equal(t, "K-07", offers[2].Record.Machine)
	assert.Equal(t, drift.ScopeMachine, offers[2].Record.Setup.Scope)

	machine := text(t, c.send(httptest.NewRequest("GET", "/settings?scope=machine&name=K-07", nil)))
	assert.Contains(t, machine, "20 from the site Elm Street depot")
	assert.Contains(t, machine, "Europe/Oslo from the fleet")
	assert.Contains(t, machine, "25 stated here")
	assert.Contains(t, machine, "4 usual value: nobody stated one")
	assert.Contains(t, machine, "Ada · Warm-up time: 25")
	assert.Contains(t, text(t, c.send(httptest.NewRequest("GET", "/settings?scope=machine&name=M-02", nil))), "45 from the fleet")

	wrong := post("fleet", "", "lead_time_days", "400")
	assert.Equal(t, http.StatusBadRequest, wrong.Code)
	assert.Contains(t, wrong.Body.String(), `value="400"`, "what was typed stays")
	assert.Equal(t, http.StatusBadRequest, post("fleet", "").Code)
	assert.Equal(t, http.StatusBadRequest, post("fleet", "", "bench_days", "monday").Code)
	assert.Equal(t, http.StatusNotFound, post("orbit", "x", "zone", "UTC").Code)
	assert.Len(t, f.offers(), 3)
	f.takeErr = assert.AnError
	assert.Equal(t, http.StatusServiceUnavailable, post("fleet", "", "lead_time_days", "10").Code)
}
