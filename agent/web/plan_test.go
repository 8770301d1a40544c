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

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
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
		f.machines[i].Settings = &drift.Settings{Depot: "north", BenchPerDay: some(int64(1)), SparePairs: some(int64(0)), LeadTime: some(10.0)}
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

// A machine is moved to another day with the pointer, also to one without a machine, and
// with the keys; the form has the day, and makes the record.
func TestMachinesAreDraggedToAnotherDay(t *testing.T) {
	f := yard()
	for i := range f.machines {
		f.machines[i].Settings = &drift.Settings{Depot: "north", BenchPerDay: some(int64(1))}
	}
	s := serverFor(t, f)
	s.Now = time.Now
	b := openOn(t, s.Handler())
	b.do(chromedp.EmulateViewport(1280, 800))
	b.show(planPath)
	const grip = `document.querySelector("[data-machine=K-11] .grip")`
	b.until(`!` + grip + `.hidden`)
	day := look[string](b, `document.querySelectorAll("[data-day]")[4].dataset.day`)
	look[int](b, `(() => {
		const grip = `+grip+`, at = (e) => { const r = e.getBoundingClientRect(); return { clientX: r.x + r.width / 2, clientY: r.y + r.height / 2 }; };
		const send = (kind, e) => grip.dispatchEvent(new PointerEvent(kind, { bubbles: true, pointerId: 1, button: 0, ...at(e) }));
		const held = new Set();
		grip.setPointerCapture = (id) => held.add(id); grip.hasPointerCapture = (id) => held.has(id);
		send("pointerdown", grip);
		const to = document.querySelectorAll("[data-day]")[4];
		if (!to.checkVisibility()) throw "a day without a machine shows";
		to.scrollIntoView({ block: "center", behavior: "instant" });
		send("pointermove", to);
		send("pointerup", to);
		return 0;
	})()`)
	assert.Equal(t, day, look[string](b, `document.getElementById("move-K-11-day").value`))
	assert.Equal(t, "move-K-11-why", look[string](b, `document.activeElement.id`))

	b.show(planPath)
	b.until(`!` + grip + `.hidden`)
	look[int](b, grip+`.focus(), 0`)
	b.do(chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowUp), chromedp.KeyEvent(kb.Enter))
	assert.Equal(t, look[string](b, `document.querySelectorAll("[data-day]")[1].dataset.day`), look[string](b, `document.getElementById("move-K-11-day").value`))
	b.do(chromedp.KeyEvent("no crew"), chromedp.KeyEvent("\t"), chromedp.KeyEvent("Ada"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.body.textContent.includes("Moved.")`)
	require.Len(t, f.offers(), 1)
	assert.Equal(t, drift.Bench, f.offers()[0].Record.Decision.Verdict)
	assert.Equal(t, "no crew", f.offers()[0].Record.Decision.Reason)
	assert.Empty(t, b.troubled())
}
