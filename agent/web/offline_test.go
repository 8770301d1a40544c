package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/air"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// memory is a store in memory as a real fleet reads it.
type memory struct{ *storetest.Memory }

func (memory) Refused() (map[string]int, error) { return nil, nil }

// thinking is a fake yard whose moves a real fleet answers.
type thinking struct {
	*fake
	real *fleet.Fleet
}

func (b thinking) Move(q advise.Move) (advise.MoveAnswer, error) { return b.real.Move(q) }

func (b thinking) Site(machine string) (advise.Site, error) { return b.real.Site(machine) }

func (b thinking) Board() *Board {
	s := b.real.Snapshot()
	var out []Machine
	for a := range s.All() {
		out = append(out, Machine{Assessment: a, Settings: &drift.Settings{}})
	}
	return NewBoard(listed(out), s.Version)
}

// think makes a fleet of what happened in an invented world up to noon.
func think(t *testing.T, f *fake) thinking {
	t.Helper()
	world, ok := synth.WorldNamed("three-models")
	require.True(t, ok)
	records := synth.Make(world, 5, 12, noon.AddDate(0, 0, -60), 60).Records
	// A machine of which little is known, and one with a time constant.
	records = append(records,
		drift.Record{Type: drift.TypeCalibration, ID: "few", Machine: "few", Time: noon.Add(-time.Hour), Calibration: &drift.Calibration{Passed: some(true)}},
		drift.Record{Type: drift.TypeSetup, ID: "warm", Machine: records[len(records)-1].Machine, Time: noon.Add(-time.Hour), Setup: &drift.Setup{Scope: drift.ScopeMachine, WarmUp: some(30.0), OutMinutes: some(240.0)}})
	// Some are not checked every day, one has a new pair, one is elsewhere, and one
	// scatters so that a check changes little.
	names := map[string]bool{}
	for _, r := range records {
		if r.Machine != "" && r.Machine != "few" {
			names[r.Machine] = true
		}
	}
	for i, name := range slices.Sorted(maps.Keys(names)) {
		if i%4 > 0 {
			records = append(records, drift.Record{Type: drift.TypeSetup, ID: name + "-daily", Machine: name, Time: noon.Add(-time.Hour), Setup: &drift.Setup{Scope: drift.ScopeMachine, DailyCheck: drift.Some(int64(i % 3 * 2))}})
		}
		switch i {
		case 5:
			records = append(records, drift.Record{Type: drift.TypeService, ID: "new pair", Machine: name, Time: noon.Add(-30 * time.Minute), Service: &drift.Service{Action: drift.Replaced}})
		case 6:
			records = append(records, drift.Record{Type: drift.TypeSplice, ID: "elsewhere", Machine: name, Site: "Tarn Pass", Time: noon.Add(-30 * time.Minute), Splice: &drift.Splice{}})
		case 8, 9:
			records = append(records, drift.Record{Type: drift.TypeCalibration, ID: "cold " + name, Machine: name, Time: noon.Add(-5 * time.Minute), Calibration: &drift.Calibration{Passed: some(true), Temperature: some(-5.0)}},
				drift.Record{Type: drift.TypeSetup, ID: "slow " + name, Machine: name, Time: noon.Add(-time.Hour), Setup: &drift.Setup{Scope: drift.ScopeMachine, WarmUp: some(float64(30 + 500*(9-i)))}})
		case 7:
			for n := range 40 {
				records = append(records, drift.Record{Type: drift.TypeCalibration, ID: fmt.Sprint("wild ", n), Machine: name, Time: noon.Add(time.Duration(n-45) * time.Minute),
					Calibration: &drift.Calibration{Passed: some(n%3 != 1), Temperature: some(16.0), Altitude: some(200.0), MeltbackLeft: some(260 + 40*math.Sin(float64(7*n))), MeltbackRight: some(260 + 40*math.Sin(float64(7*n))), Target: some(260.0), Tolerance: some(26.0), PowerSetting: some(1.0), PowerCorrection: some(0.0)}})
			}
		}
	}
	kept := memory{&storetest.Memory{}}
	var entries []drift.Entry
	for _, r := range records {
		// Every machine has been silent for another while.
		silent := time.Duration(0)
		if r.Machine != "" {
			silent = time.Duration(r.Machine[len(r.Machine)-1]%7) * 31 * time.Hour
		}
		if r.Type == drift.TypeSetup || r.ID == "few" || r.ID == "new pair" || r.ID == "elsewhere" || strings.HasPrefix(r.ID, "wild") || strings.HasPrefix(r.ID, "cold") || !r.Time.After(noon.Add(-silent)) {
			entries = append(entries, drift.Entry{Record: r, Received: r.Time, Via: "import"})
		}
	}
	_, err := kept.Append(entries, nil)
	require.NoError(t, err)
	real := fleet.New(kept, func() time.Time { return noon }, slog.New(slog.DiscardHandler))
	done := make(chan error, 1)
	ctx, stop := context.WithCancel(t.Context())
	go func() { done <- real.Run(ctx) }()
	t.Cleanup(func() { stop(); require.NoError(t, <-done) })
	require.Eventually(t, func() bool { return real.Ready() == nil }, 10*time.Minute, 5*time.Millisecond)
	return thinking{f, real}
}

// places draws questions, some with parts missing, cold machines and damp air:
// by turns from anywhere a crew may stand and from a valley on a mild day, where
// a machine may well need nothing.
func places(machines []Machine, n int) []advise.Move {
	rng := rand.New(rand.NewPCG(8, 1))
	maybe := func(chance, lo, hi float64) drift.Opt[float64] {
		if rng.Float64() > chance {
			return drift.Opt[float64]{}
		}
		return some(lo + (hi-lo)*rng.Float64())
	}
	var out []advise.Move
	for i := range n {
		q := advise.Move{
			Machine: machines[rng.IntN(len(machines))].Machine, AsOf: noon.Add(time.Duration(rng.IntN(600)) * time.Minute),
			Temperature: maybe(0.97, -25, 45), Humidity: maybe(0.9, 5, 100), Altitude: maybe(0.8, -400, 5500), Pressure: maybe(0.3, 500, 1050),
		}
		if i%2 == 1 {
			q.Temperature, q.Altitude, q.Pressure = maybe(0.97, 8, 24), maybe(0.8, 0, 500), drift.Opt[float64]{}
		}
		if t, ok := q.Temperature.Get(); ok {
			q.MachineTemperature = maybe(0.4, max(t-30, -40), t+5)
		}
		if i%3 == 0 {
			q.Cold = some(i%2 == 0)
		}
		out = append(out, q)
	}
	return out
}

// queryOf is the question as the interface and the phone's script are asked.
func queryOf(q *advise.Move) (url.Values, map[string]any) {
	v := url.Values{"machine": {q.Machine}, "as_of": {q.AsOf.Format(time.RFC3339)}}
	object := map[string]any{"machine": q.Machine, "as_of": q.AsOf.UnixMilli()}
	for name, x := range map[string]drift.Opt[float64]{"temperature_c": q.Temperature, "humidity_pct": q.Humidity, "altitude_m": q.Altitude, "pressure_hpa": q.Pressure, "machine_temperature_c": q.MachineTemperature} {
		if x, ok := x.Get(); ok {
			v.Set(name, fmt.Sprint(x))
			object[name] = x
		}
	}
	if cold, said := q.Cold.Get(); said {
		v.Set("machine_cold", fmt.Sprint(cold))
		object["machine_cold"] = cold
	}
	return v, object
}

// The phone's script and the agent are asked the same and answer the same, every
// number and sentence; the chance, before rounding, to a millionth.
func TestPhoneAnswersAsTheAgent(t *testing.T) {
	f := think(t, yard())
	server := serverFor(t, f.fake)
	server.Fleet = f
	b := openOn(t, server.Handler())
	b.show("/log")
	machines := f.Board().Machines()
	asked := places(machines, 400)
	for _, m := range machines { // and each where it last was
		site, err := f.Site(m.Machine)
		require.NoError(t, err)
		asked = append(asked, advise.Move{Machine: m.Machine, AsOf: noon.Add(time.Minute), Temperature: site.LastTemperature, Humidity: site.LastHumidity, Altitude: site.LastAltitude, Pressure: site.LastPressure})
	}
	var objects []map[string]any
	for i := range asked {
		_, object := queryOf(&asked[i])
		objects = append(objects, object)
	}
	body, err := json.Marshal(objects)
	require.NoError(t, err)
	type answer struct {
		Answer      advise.Answer      `json:"answer"`
		Evidence    advise.Evidence    `json:"evidence"`
		Wait        drift.Opt[int]     `json:"wait_minutes"`
		Probability drift.Opt[float64] `json:"probability_out"`
		Shift       drift.Opt[float64] `json:"expected_shift_pct"`
		SD          drift.Opt[float64] `json:"sd_pct"`
		Dew         drift.Opt[float64] `json:"dew_point_c"`
		Reasons     []string           `json:"reasons"`
		CheckDue    *advise.DueReason  `json:"check_due"`
		Action      advise.Action      `json:"action"`
		Cost        advise.Cost        `json:"cost"`
		Chance      *float64           `json:"chance"`
	}
	phone := look[[]answer](b, `(async () => {
		const { answer } = await import("/static/site-check.js");
		const tables = await (await fetch("/api/v1/offline?`+names(machines)+`")).json();
		const of = Object.fromEntries(tables.map((t) => [t.machine, t]));
		return `+string(body)+`.map((q) => answer(of[q.machine], q));
	})()`)
	require.Len(t, phone, len(asked))
	words, sentences := map[advise.Answer]int{}, map[string]int{}
	for i := range asked {
		q := &asked[i]
		query, _ := queryOf(q)
		w := httptest.NewRecorder()
		server.Handler().ServeHTTP(w, localRequest("GET", "/api/v1/site-check?"+query.Encode()))
		require.Equal(t, http.StatusOK, w.Code, w.Body)
		var agent answer
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &agent))
		got := phone[i]
		words[agent.Answer]++
		if got.Chance != nil {
			assert.InDelta(t, chanceFrom(f, q), *got.Chance, 1e-6, "%v", query)
			got.Chance = nil
		}
		for _, reason := range agent.Reasons {
			sentences[strings.Trim(reason, "0123456789")[:12]]++
		}
		assert.Equal(t, agent, got, "%v", query)
	}
	for _, word := range []advise.Answer{advise.Recalibrate, advise.Wait, advise.NoNeed, advise.CannotTell} {
		assert.Greater(t, words[word], 5, "%s is among what was asked: %v", word, words)
	}
	assert.Greater(t, len(sentences), 7, "and most of the sentences: %v", sentences)
	for _, rule := range []string{"The move alo", "The electrod", "The machine ", "Another cali", "Enter the ma", "If the machi"} {
		assert.Positive(t, sentences[rule], "%s is among the sentences: %v", rule, sentences)
	}
	assert.Empty(t, b.troubled())
}

// The page that the phone makes says what the agent's page says, in both units.
func TestPhoneWordsItAsThePage(t *testing.T) {
	f := think(t, yard())
	server := serverFor(t, f.fake)
	server.Fleet = f
	b := openOn(t, server.Handler())
	machines := f.Board().Machines()
	for _, unit := range []string{"si", "us"} {
		b.show("/moved?machine=" + machines[0].Machine + "&units=" + unit)
		var asked []string
		places := places(machines, 25)
		for i := range places {
			q := &places[i]
			v := url.Values{"machine": {q.Machine}}
			for name, x := range map[string]drift.Opt[float64]{"temperature_c": q.Temperature, "humidity_pct": q.Humidity, "altitude_m": q.Altitude, "pressure_hpa": q.Pressure, "machine_temperature_c": q.MachineTemperature} {
				v.Set(name, "")
				if x, ok := x.Get(); ok {
					v.Set(name, units{unit == "us"}.show(name, math.Round(x)))
				}
			}
			asked = append(asked, v.Encode())
		}
		list, err := json.Marshal(asked)
		require.NoError(t, err)
		type answer struct {
			Asked        string
			Agent, Phone []string
		}
		all := look[[]answer](b, fmt.Sprintf(`(async () => {
			const { show, questionOf } = await import("/static/along.js");
			const { answer } = await import("/static/site-check.js");
			const tables = await (await fetch("/api/v1/offline?%s")).json();
			const form = document.getElementById("moved");
			const read = (page) => [...page.querySelectorAll(".verdict p:not(#since), main .caution, #numbers li, #numbers dt, #numbers dd, a.main-button")].map((e) => e.textContent.replace(/\s+/g, " ").trim());
			const all = [];
			for (const asked of %s) {
				const agent = new DOMParser().parseFromString(await (await fetch("/moved?" + asked)).text(), "text/html");
				while (form.previousElementSibling?.matches("h1") === false) form.previousElementSibling.remove();
				const query = new URLSearchParams(asked), table = tables.find((t) => t.machine === query.get("machine"));
				show(form, answer(table, { ...questionOf(form, query), as_of: %d }), table, form.dataset.units);
				all.push({ asked, agent: read(agent), phone: read(document) });
			}
			return all;
		})()`, names(machines), list, noon.UnixMilli()))
		for _, one := range all {
			assert.NotEmpty(t, one.Phone)
			assert.Equal(t, one.Agent, one.Phone, one.Asked)
		}
	}
	assert.Empty(t, b.troubled())
}

func names(machines []Machine) string {
	v := url.Values{}
	for i := range machines {
		v.Add("machine", machines[i].Machine)
	}
	return v.Encode()
}

// chanceOf is the agent's chance before rounding.
func chanceFrom(f thinking, q *advise.Move) float64 {
	site, err := f.Site(q.Machine)
	if err != nil {
		return math.NaN()
	}
	p := q.Pressure.Or(air.PressureAt(q.Altitude.Or(0)))
	t := q.Temperature.Or(0)
	days := min(max(q.AsOf.Sub(site.Known.Last()).Hours()/24, 0), 7)
	return site.Known.StatedOut(site.Known.Place(t, q.Humidity.Or(model.TypicalHumidity), p, q.MachineTemperature.Or(t)), site.Known.PerDay()*days)
}

func TestOfflineTables(t *testing.T) {
	f := yard()
	f.sites = map[string]advise.Site{"K-07": {Known: model.NewMachine("K-07", new(model.Prior()))}}
	// A machine that nobody has calibrated is included too: the phone says that it cannot
	// tell.
	const empty = `"as_of":"2026-03-02T11:00:00Z","attempts":0,"attempts_of_its_like":0,"streak":0,"last":null,"arcs_per_day":0,"last_temperature_c":null,"last_humidity_pct":null,"last_altitude_m":null,"last_pressure_hpa":null,"warm_up_minutes":null,"cost":{"check_minutes":5,"out_minutes":60},"due":[],"check_leaves":0,"setting_wrong":false,"table":null}`
	assert.JSONEq(t, `[{"machine":"K-31",`+empty+`]`, get(t, f, "/api/v1/offline?machine=K-31&machine=nobody").Body.String())
	assert.Equal(t, http.StatusBadRequest, get(t, f, "/api/v1/offline").Code)
	assert.Equal(t, http.StatusBadRequest, get(t, f, "/api/v1/offline?machine="+strings.Repeat("a&machine=", mostOffline)).Code)

	known := model.NewMachine("K-07", new(model.Prior()))
	known.Update(&model.Event{Kind: model.Attempt, Time: noon, Arcs: 40, Step: 40, NewSession: true, Tries: 1, Passed: true})
	f.sites["K-07"] = advise.Site{Known: known, Settings: drift.Settings{WarmUp: some(30.0), CheckMinutes: 5, OutMinutes: 60}}
	w := get(t, f, "/api/v1/offline?machine=K-07")
	assert.Contains(t, w.Body.String(), `"warm_up_minutes":30`)
	assert.Less(t, w.Body.Len(), 4000, "a machine is a few kilobytes, so that a crew's fit a phone")

	f.moveErr = errors.New("the disk is gone")
	assert.Equal(t, http.StatusInternalServerError, get(t, f, "/api/v1/offline?machine=K-07").Code)
}

// localRequest is a request to this computer by a name that is ours.
func localRequest(method, path string) *http.Request {
	r := httptest.NewRequest(method, path, nil)
	r.Host = "localhost"
	return r
}
