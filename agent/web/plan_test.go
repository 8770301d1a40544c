package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/plan"
)

// The machine that stands still comes first; a move is kept as a decision with its reason
// and stays until the day passes.
func TestWeekPlan(t *testing.T) {
	f := yard()
	for i := range f.machines {
		f.machines[i].Settings = drift.Settings{Depot: "north", BenchPerDay: some(int64(1)), SparePairs: some(int64(0)), LeadTime: some(10.0)}
	}
	server := serverFor(t, f)
	c := &clerk{t: t, handler: server.Handler()}
	move := func(machine, day, reason string) *httptest.ResponseRecorder {
		v := url.Values{"machine": {machine}, "day": {day}, "reason": {reason}, "operator": {"Ada"}}
		r := httptest.NewRequest("POST", "/plan", strings.NewReader(v.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		return c.send(r)
	}
	show := func() string { return text(t, c.send(httptest.NewRequest("GET", "/plan", nil))) }
	page := show()
	assert.Regexp(t, `The bench takes 1 machine a day\..*Mon 2 Mar K-11 .*Tue 3 Mar K-07 `, page)
	assert.Contains(t, page, "Order 1 pair now: they should have been ordered by Fri 20 Feb.")
	assert.Contains(t, page, "Before you open the machine")

	assert.Contains(t, move("K-07", "2026-03-09", "the crew is back on Monday").Body.String(), "Moved.")
	taken := f.offers()
	require.Len(t, taken, 1)
	assert.Equal(t, drift.Decision{Verdict: drift.Bench, Day: "2026-03-09", Reason: "the crew is back on Monday"}, *taken[0].Record.Decision)
	at := slices.IndexFunc(f.machines, func(m Machine) bool { return m.Machine == "K-07" })
	f.machines[at].Move = plan.MoveOf(&drift.Entry{Record: taken[0].Record, Received: noon})
	page = show()
	assert.Regexp(t, `Mon 9 Mar K-07 .*4 days after its act-by date, Thu 5 Mar.*decided by Ada: the crew is back on Monday`, page)
	assert.Contains(t, page, "1 machine cannot come by the act-by date.")

	assert.Contains(t, move("K-07", "2026-03-01", "x").Body.String(), "The day has passed.")
	assert.Contains(t, move("K-07", "2026-03-10", "").Body.String(), "Reason is missing")
	assert.Equal(t, http.StatusBadRequest, move("", "2026-03-10", "x").Code)
	assert.Len(t, f.offers(), 1)

	var reports []plan.Report
	require.NoError(t, json.Unmarshal(c.send(httptest.NewRequest("GET", "/api/v1/plan", nil)).Body.Bytes(), &reports))
	require.Len(t, reports, 1)
	row := reports[0].Machines[1]
	assert.Equal(t, []any{"K-07", "2026-03-09", "2026-03-05", 4, true}, []any{row.Machine, row.Day.Or(""), row.ActBy.Or(""), row.Late, row.Decided})
	assert.Equal(t, []string{"Order 1 pair now: they should have been ordered by Fri 20 Feb."}, reports[0].Pairs.Next)

	for i := range f.machines { // the bench is closed on the day of the machine that stands still
		f.machines[i].Settings.ClosedDays = "03-02"
	}
	assert.Regexp(t, `Tue 3 Mar K-11 `, show())

	server.Now = func() time.Time { return noon.AddDate(0, 0, 8) }
	assert.NotContains(t, show(), "decided by Ada", "the day has passed")
}

func TestAFleetWithoutWorkHasAnEmptyPlan(t *testing.T) {
	assert.Contains(t, text(t, get(t, &fake{}, "/plan")), "No machine needs the bench in the next four weeks.")
}
