package web

import (
	"errors"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// elm is a place that K-07 was last calibrated at.
func elm(f *fake) {
	f.sites = map[string]advise.Site{"K-07": {LastTemperature: some(18.0), LastHumidity: some(50.0), LastAltitude: some(210.0), Settings: drift.Settings{CheckMinutes: 5, OutMinutes: 60}}}
	f.moved = advise.MoveAnswer{Machine: "K-07", AsOf: noon, Answer: advise.NoNeed, Action: advise.None, ProbabilityOut: some(0.02), Evidence: advise.ThisMachine, Reasons: []string{"Compared with the last calibration: same height."}}
}

// A form that was filled in from the last record and sent as it was is no answer
// about another place: the page asks, and does not turn green.
func TestUnchangedAirIsAQuestion(t *testing.T) {
	f := yard()
	elm(f)
	for _, asked := range []string{
		"/moved?machine=K-07&temperature_c=18&humidity_pct=50&altitude_m=210&pressure_hpa=&machine_temperature_c=",
		"/moved?machine=K-07&units=us&temperature_c=64&humidity_pct=50&altitude_m=689",
	} {
		w := get(t, f, asked)
		require.Equal(t, http.StatusOK, w.Code)
		seen := text(t, w)
		assert.Contains(t, seen, "Are you still in the same place?")
		assert.NotContains(t, seen, "No need")
		assert.NotContains(t, w.Body.String(), `class="verdict no-need"`)
		assert.Contains(t, text(t, get(t, f, asked+"&same=yes")), "No need to recalibrate")
	}
	for _, other := range []string{"temperature_c=17&humidity_pct=50&altitude_m=210", "temperature_c=18&humidity_pct=51&altitude_m=210", "temperature_c=18&humidity_pct=50&altitude_m=211"} {
		assert.Contains(t, text(t, get(t, f, "/moved?machine=K-07&"+other)), "No need to recalibrate", other)
	}
	f.moved.Answer = advise.Recalibrate
	assert.Contains(t, text(t, get(t, f, "/moved?machine=K-07&temperature_c=18&humidity_pct=50&altitude_m=210")), "Recalibrate now", "an answer that is not green needs no question")
}

// Where a check would change too little, the page sends to the electrodes, with
// the cautions, and is not green.
func TestTheElectrodesAreTheAnswer(t *testing.T) {
	f := yard()
	elm(f)
	f.moved.Action = advise.Inspect
	w := get(t, f, "/moved?machine=K-07&temperature_c=18&humidity_pct=50&altitude_m=210")
	seen := text(t, w)
	assert.Contains(t, seen, "Do not recalibrate: inspect the electrodes")
	assert.Contains(t, seen, advise.Cautions()[0])
	assert.NotContains(t, w.Body.String(), `class="verdict no-need"`)
}

// The phone asks the same and shows the same, and what it logged itself counts
// before the agent has answered.
func TestPhoneKnowsTheRules(t *testing.T) {
	f := yard()
	elm(f)
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/moved?machine=K-07")
	type answer struct {
		Same, Other, Passed, Early, Replaced, Elsewhere bool
		Shown, Electrodes                               string
	}
	got := look[answer](b, `(async () => {
		const { sameAir, heard } = await import("/static/site-check.js");
		const { show, askedFirst } = await import("/static/along.js");
		const [table] = await (await fetch("/api/v1/offline?machine=K-07")).json();
		const q = { temperature_c: 17.8, humidity_pct: 50, altitude_m: 210 };
		const due = { machine: "K-07", due: [{ from: "2026-03-02T06:00:00Z", reason: "start-of-day", words: ["x"] }, { from: "2026-03-03T06:00:00Z", reason: "start-of-day", words: ["y"] }] };
		const pass = (machine, time) => heard(due, [{ type: "calibration", machine, time, passed: true }]).due.length;
		const form = document.getElementById("moved");
		const a = { machine: "K-07", answer: "no-need", action: "none", reasons: ["r"], probability_out: 0.02, evidence: "this-machine", expected_shift_pct: null, dew_point_c: null, cost: table.cost };
		show(form, a, table, "si", askedFirst(table, q, new URLSearchParams({ machine: "K-07" })));
		const shown = document.querySelector(".verdict").className + document.querySelector("main").textContent;
		while (form.previousElementSibling?.matches("h1") === false) form.previousElementSibling.remove();
		show(form, { ...a, action: "inspect" }, table, "si");
		return {
			Same: sameAir(table, q), Other: sameAir(table, { ...q, humidity_pct: 51 }),
			Passed: pass("K-07", "2026-03-02T07:00:00Z") === 1, Early: pass("K-07", "2026-03-01T07:00:00Z") === 2, Elsewhere: pass("K-09", "2026-03-02T07:00:00Z") === 2,
			Replaced: heard({ machine: "K-07" }, [{ type: "service", action: "replaced", machine: "K-07", time: "2026-03-02T07:00:00Z" }]).due[0].words[0].startsWith("The electrodes were replaced on 2 Mar"),
			Shown: shown, Electrodes: document.querySelector(".verdict").className + document.querySelector("main").textContent,
		};
	})()`)
	assert.True(t, got.Same && !got.Other && got.Passed && got.Early && got.Replaced && got.Elsewhere, "%+v", got)
	// What was sent counts in the tables, too, which may not be fetched again before
	// there is no network.
	assert.Zero(t, look[int](b, `(async () => {
		const queue = await import("/static/queue.js");
		await queue.saveTables([{ machine: "K-07", due: [{ from: "2026-03-02T06:00:00Z", reason: "start-of-day", words: ["x"] }] }]);
		await queue.keep([{ type: "calibration", id: "passed", machine: "K-07", time: "2026-03-02T07:00:00Z", passed: true }]);
		await queue.send();
		return (await queue.savedTables()).find((t) => t.machine === "K-07").due.length;
	})()`))
	assert.Contains(t, got.Shown, "verdict cannot-tell")
	assert.Contains(t, got.Shown, "Are you still in the same place?")
	assert.Contains(t, got.Shown, "Yes, same place and air")
	assert.NotContains(t, got.Shown, "No need")
	assert.Contains(t, got.Electrodes, "verdict cannot-tell")
	assert.Contains(t, got.Electrodes, "Do not recalibrate: inspect the electrodes")
	assert.Contains(t, got.Electrodes, advise.Cautions()[0])
	assert.Empty(t, b.troubled())
}

// How the rules are kept is shown by week and by site or model, and says nothing of
// people.
func TestHowTheRulesAreKept(t *testing.T) {
	f := yard()
	seen := text(t, get(t, f, "/rules"))
	for _, part := range []string{"2026-W10 · Tarn Pass", "1 of 2", "2026-W10 · Elm Street depot", "1 of 1", "2026-W09 · not stated", "0 of 1", "none due", "never by person"} {
		assert.Contains(t, seen, part)
	}
	assert.Contains(t, text(t, get(t, f, "/rules?by=model")), "2026-W10 · type-1")
	assert.JSONEq(t, `[
		{"week":"2026-W10","name":"type-1","start_of_day":{"owed":1,"kept":0},"electrode_service":{"owed":1,"kept":1},"moved":{"owed":0,"kept":0}},
		{"week":"2026-W10","name":"type-2","start_of_day":{"owed":1,"kept":1},"electrode_service":{"owed":0,"kept":0},"moved":{"owed":0,"kept":0}},
		{"week":"2026-W09","name":"type-2","start_of_day":{"owed":0,"kept":0},"electrode_service":{"owed":0,"kept":0},"moved":{"owed":1,"kept":0}}]`,
		get(t, f, "/api/v1/rules?by=model").Body.String())
	assert.Equal(t, http.StatusBadRequest, get(t, f, "/rules?by=operator").Code)
	assert.Equal(t, http.StatusBadRequest, get(t, f, "/api/v1/rules?by=operator").Code)
	assert.Contains(t, text(t, get(t, &fake{version: 1}, "/rules")), "There are no records of splices or usage")
	f.moveErr = errors.New("the disk is gone")
	assert.Equal(t, http.StatusInternalServerError, get(t, f, "/api/v1/rules").Code)
}

// A rule of alerts that is not sent is shown on the board, the morning list,
// its text and the alerts.
func TestAWithheldRuleIsShownWherePeopleLook(t *testing.T) {
	f := yard()
	for _, path := range []string{"/", "/morning", "/morning.txt", "/alerts"} {
		w := get(t, f, path)
		assert.Contains(t, w.Body.String(), "no message does not mean that a machine is fit", path)
	}
	f.alerts.policy.Right[alert.ElectrodesDue] = 0.8
	for _, path := range []string{"/", "/morning", "/morning.txt", "/alerts"} {
		assert.NotContains(t, get(t, f, path).Body.String(), "no message does not mean that a machine is fit", path)
	}
}
