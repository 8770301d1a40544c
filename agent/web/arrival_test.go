package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/plan"
)

// A known site gives the altitude; what is typed wins.
func TestArrivalAtAKnownSite(t *testing.T) {
	f := yard()
	w := get(t, f, "/moved?machine=K-07&site=Tarn+Pass&temperature_c=4&humidity_pct=80&machine_cold=true")
	require.Equal(t, http.StatusOK, w.Code)
	page := w.Body.String()
	checkHTML(t, page)
	require.Len(t, f.asked, 1)
	assert.Equal(t, some(1390.0), f.asked[0].Altitude)
	assert.Equal(t, some(true), f.asked[0].Cold)
	assert.Contains(t, page, `value="Tarn Pass" checked`)
	// The button that logs the check takes site and air along.
	assert.Contains(t, page, "/log?altitude_m=1390&amp;arrived=yes&amp;humidity_pct=80&amp;machine=K-07&amp;site=Tarn&#43;Pass&amp;temperature_c=4&amp;trigger=moved")

	get(t, f, "/moved?machine=K-07&site=Tarn+Pass&temperature_c=4&altitude_m=1200&machine_cold=")
	assert.Equal(t, some(1200.0), f.asked[1].Altitude)
	assert.False(t, f.asked[1].Cold.Known())
	get(t, f, "/moved?machine=K-07&site=Mill+Lane&temperature_c=4")
	assert.False(t, f.asked[2].Altitude.Known(), "nobody knows how high Mill Lane is")
	get(t, f, "/moved?machine=K-07&site=Nowhere&temperature_c=4&machine_cold=perhaps")
	assert.Len(t, f.asked, 3, "an answer that is none is refused")
}

func TestArrivalSaysWhenTheLastCheckPassed(t *testing.T) {
	seen := text(t, get(t, yard(), "/moved?machine=K-07"))
	assert.Contains(t, seen, "Last check that passed: 28 hours ago , at Elm Street depot 1 Mar 2026, 08:00 UTC+1")
}

// A fresh reading of the sensor fills in the card, and says so; an old one is shown with
// its age and fills in nothing.
func TestSensorFillsInWhileItIsFresh(t *testing.T) {
	f := yard()
	f.air = map[string]drift.AirReading{"K-07": {Time: noon.Add(-4 * time.Minute), Temperature: some(3.5), Humidity: some(81.0), Pressure: some(857.0)}}
	page := get(t, f, "/moved?machine=K-07").Body.String()
	assert.Contains(t, page, `name="temperature_c" value="3.5"`)
	assert.Contains(t, page, `name="pressure_hpa" value="857"`)
	assert.Contains(t, page, "Filled in from the sensor, 2 Mar 2026, 11:56 UTC&#43;1: 3.5\u00a0°C · 81\u00a0% · 857\u00a0hPa.")
	assert.Contains(t, page, `data-until="2026-03-02T12:01:00`)
	log := get(t, f, "/log?machine=K-07").Body.String()
	assert.Contains(t, log, `value="humidity_pct=81&amp;pressure_hpa=857&amp;temperature_c=3.5" checked`, "in sight, and can be taken off")
	assert.Contains(t, log, "From the sensor, 2 Mar 2026, 11:56")

	f.air["K-07"] = drift.AirReading{Time: noon.Add(-6 * time.Minute), Temperature: some(3.5)}
	page = get(t, f, "/moved?machine=K-07").Body.String()
	assert.Contains(t, page, "The sensor&#39;s last reading is too old to be filled in: 3.5\u00a0°C, 2 Mar 2026, 11:54 UTC&#43;1, 6 minutes ago.")
	assert.Contains(t, page, `name="temperature_c" value="-8"`, "from the last record, as always")
	assert.NotContains(t, get(t, f, "/log?machine=K-07").Body.String(), "From the sensor")
	assert.NotContains(t, get(t, f, "/moved?machine=M-09").Body.String(), "sensor", "another machine's sensor says nothing")

	// No answer uses a reading that is not in the form.
	get(t, f, "/moved?machine=K-07&humidity_pct=50")
	require.Len(t, f.asked, 1)
	assert.False(t, f.asked[0].Temperature.Known())
}

// Unchanged temperature and humidity at another height prove little: the card asks first.
func TestUnchangedWeatherElsewhereIsAQuestion(t *testing.T) {
	f := yard()
	elm(f)
	f.sites["K-07"] = advise.Site{Settings: f.sites["K-07"].Settings, Known: f.sites["K-07"].Known, LastTemperature: some(-8.0), LastHumidity: some(70.0), LastAltitude: some(210.0)}
	f.moved = advise.MoveAnswer{Machine: "K-07", Answer: advise.NoNeed, Action: advise.None}
	const asked = "/moved?machine=K-07&site=Tarn+Pass&temperature_c=-8&humidity_pct=70"
	seen := text(t, get(t, f, asked))
	assert.Contains(t, seen, "Is the air here the same?")
	assert.NotContains(t, seen, "No need")
	assert.Contains(t, text(t, get(t, f, asked+"&same=yes")), "No need to recalibrate")
	assert.Contains(t, text(t, get(t, f, strings.Replace(asked, "-8", "-9", 1))), "No need to recalibrate")
}

// What was entered on arrival goes with the record, in sight.
func TestArrivalGoesWithTheRecord(t *testing.T) {
	for unit, c := range map[string]struct{ query, words string }{
		"si": {"temperature_c=4&altitude_m=1390", "As entered on arrival: 4\u00a0°C · 1390\u00a0m"},
		"us": {"temperature_c=39&altitude_m=4560", "As entered on arrival: 39\u00a0°F · 4560\u00a0ft"},
	} {
		f := yard()
		page := get(t, f, "/log?machine=K-07&trigger=moved&site=Tarn+Pass&arrived=yes&units="+unit+"&"+c.query).Body.String()
		checkHTML(t, page)
		assert.Contains(t, page, c.words)
		assert.Contains(t, page, `value="Tarn Pass"`)
		value, _, _ := strings.Cut(page[strings.Index(page, `name="air" value="`)+len(`name="air" value="`):], `"`)
		submit(t, f, "/log", "id", "x", "machine", "K-07", "passed", "true", "site", "Tarn Pass", "air", strings.ReplaceAll(value, "&amp;", "&"))
		require.Len(t, f.taken, 1)
		assert.InDelta(t, 4, f.taken[0].Record.Calibration.Temperature.Or(0), 0.2)
		assert.InDelta(t, 1390, f.taken[0].Record.Calibration.Altitude.Or(0), 0.2)
	}
}

// Arrival with a known site: three taps, nothing typed, with a sensor at hand; and the
// check is logged with three more.
func TestArrivalTaps(t *testing.T) {
	f := yard()
	f.air = map[string]drift.AirReading{"K-07": {Time: time.Now(), Temperature: some(4.0), Humidity: some(80.0)}}
	s := serverFor(t, f)
	s.Now = time.Now // the page counts how old the reading is
	b := openOn(t, s.Handler())
	b.fingers()
	b.show("/moved?machine=K-07")
	taps := 0
	for _, words := range []string{"Tarn Pass 1,390\u00a0m", "No, as warm as here", "Ask"} {
		b.tap(&taps, words)
	}
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Equal(t, 3, taps)
	f.mu.Lock()
	require.Len(t, f.asked, 1)
	assert.Equal(t, advise.Move{Machine: "K-07", AsOf: f.asked[0].AsOf, Temperature: some(4.0), Humidity: some(80.0), Altitude: some(1390.0), Cold: some(false)}, f.asked[0])
	f.mu.Unlock()
	for _, words := range []string{"Log the calibration", "Passed", "Save", "Save now"} {
		b.tap(&taps, words)
	}
	b.until(`document.querySelector("#fate.received") !== null`)
	require.Len(t, f.offers(), 1)
	got := string(f.offers()[0].Record.AppendCanonical(nil))
	for _, part := range []string{`"site":"Tarn Pass"`, `"trigger":"moved"`, `"temperature_c":4`, `"humidity_pct":80`, `"altitude_m":1390`} {
		assert.Contains(t, got, part)
	}
	assert.Empty(t, b.troubled())
}

// The phone's position chooses the nearest known site, and stays on the phone.
func TestArrivalFindsTheSite(t *testing.T) {
	b := open(t, yard())
	b.fingers()
	b.show("/moved?machine=K-07")
	b.until(`document.querySelector("#locate button").checkVisibility()`)
	at := func(lat, lon string) {
		look[int](b, `navigator.geolocation.getCurrentPosition = (found) => found({ coords: { latitude: `+lat+`, longitude: `+lon+` } }), document.querySelector("#locate button").click(), 0`)
	}
	at("61.215", "7.485")
	assert.Equal(t, "Tarn Pass is chosen.", look[string](b, `document.querySelector("#locate [role=status]").textContent`))
	assert.Equal(t, "Tarn Pass", look[string](b, `document.querySelector("[name=site]:checked").value`))
	at("61.31", "7.48")
	assert.Equal(t, "No known site is near. The nearest is Tarn Pass, 11 km away.", look[string](b, `document.querySelector("#locate [role=status]").textContent`), "0.1 degrees of latitude are 11.1 km")
	assert.Empty(t, b.troubled(), "nothing is sent anywhere")
}

// After a cold start of the phone's browser and without a network: the alert with its age,
// its steps and its outcomes, the morning list, the machine, and an answer on arrival for a
// machine of the crew that this phone has never shown.
func TestArrivalAndAlertAfterAColdStart(t *testing.T) {
	real := think(t, yard())
	server := serverFor(t, real.fake)
	server.Fleet = real
	machines := real.Board().Machines()
	real.alerts.begin(machines)
	h := &hole{Handler: server.Handler()}
	profile := t.TempDir()
	url := serve(t, h)
	b := phoneOn(t, profile, url)
	b.show("/phone")
	b.served()
	b.until(`caches.match("/machines/` + machines[2].Machine + `").then(x => x !== undefined)`)
	b.until(`import("/static/queue.js").then(q => q.savedTables()).then(t => t.length === ` + strconv.Itoa(len(machines)) + `)`)
	b.kill(profile)
	h.gone.Store(true)

	b = phoneOn(t, profile, url)
	b.fingers()
	for path, title := range map[string]string{"/alerts": "Alerts", "/morning": "Morning list", "/machines/" + machines[2].Machine: machines[2].Machine} {
		b.show(path)
		b.do(chromedp.WaitVisible("#kept-page"))
		assert.Equal(t, title, look[string](b, `document.querySelector("h1").textContent`))
		assert.Regexp(t, `This page was kept on this phone \d+ days ago, at 2 Mar 2026, \d\d:00`, look[string](b, `document.getElementById("kept-page").textContent`), "its age, by the phone's clock")
	}
	b.show("/alerts")
	require.True(t, look[bool](b, `document.querySelectorAll(".steps li").length > 0`))
	taps := 0
	b.press(`document.querySelector(".outcomes a")`)
	b.until(`location.pathname === "/log" && document.querySelector("[name=passed]:checked") !== null`)
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)

	b.show("/moved?machine=" + machines[1].Machine)
	b.until(`document.querySelector("form#moved [name=machine]:checked")?.value === "` + machines[1].Machine + `"`)
	b.tap(&taps, "Tarn Pass 1,390\u00a0m")
	look[int](b, `document.getElementById("temperature_c").value = "4", document.getElementById("humidity_pct").value = "40", 0`)
	b.tap(&taps, "No, as warm as here")
	b.tap(&taps, "Ask")
	b.do(chromedp.WaitVisible(".verdict"))
	seen := look[string](b, `document.querySelector("main").textContent`)
	assert.Contains(t, seen, "Answered on this phone without the agent")
	assert.Contains(t, seen, machines[1].Machine+": recalibrate?")
	assert.NotContains(t, seen, "The altitude or the station pressure is missing")
}

// Whoever has signed out sees no kept page.
func TestKeptPagesAreForgottenOnSignOut(t *testing.T) {
	b := open(t, yard())
	b.show("/phone")
	b.served()
	b.until(`caches.match("/alerts").then(x => x !== undefined)`)
	b.until(`caches.match("/machines/K-15").then(x => x !== undefined)`)
	taps := 0
	b.tap(&taps, "Sign out on this phone")
	b.until(`caches.match("/alerts").then(x => x === undefined)`)
	b.until(`caches.match("/machines/K-15").then(x => x === undefined)`)
	b.until(`caches.match("/log?choose=1").then(x => x !== undefined)`)
}

// An alert's card says in order what to check, the cautions, what clears it, and has a
// button for each outcome.
func TestAlertCard(t *testing.T) {
	f := yard()
	w := get(t, f, "/alerts")
	page := w.Body.String()
	checkHTML(t, page)
	card := page[strings.Index(page, `id="case-K-11-stop"`):]
	card = card[:strings.Index(card, "</section>\n<section")]
	order := []string{"Check in this order", "Give the crew another machine.", "Clean and cleave both ends again.", "If it fails again, replace the electrodes by Mon 2 Mar.",
		"Spare pair: 3 at north.", "Before you open the machine", "Log the service and pass a calibration to clear this.", "What came of it?",
		"It passed with another cleaver", "It failed again with another cleaver", "Worn: replaced", "Dirty: cleaned", "Inspected: fine", "It was the cleaver"}
	at := 0
	for _, part := range order {
		found := strings.Index(card[at:], part)
		require.GreaterOrEqual(t, found, 0, "%s, after the others", part)
		at += found
	}
	assert.Contains(t, card, "/service?"+strings.ReplaceAll(url.Values{"machine": {"K-11"}, "action": {"replaced"}, "finding": {"worn"}}.Encode(), "&", "&amp;"))
	assert.Equal(t, 1, strings.Count(card, "to clear this"), "the rule stands once")
}

func TestMorningAsksToConfirm(t *testing.T) {
	w := get(t, yard(), "/morning")
	page := w.Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, "Records to confirm")
	assert.Contains(t, page, "seems to be recorded twice")
	assert.Contains(t, page, "One, recorded twice")
	assert.Contains(t, get(t, yard(), "/morning.txt").Body.String(), "\nRECORDS TO CONFIRM\n  K-07  The calibration of 2 Mar 07:45 seems to be recorded twice")
}

// Whoever is limited to a part of the fleet sees the sites of its machines only.
func TestSitesOfAPart(t *testing.T) {
	f := yard()
	part := newFleetPart(f, f, func(machine string) (time.Time, bool) { return time.Time{}, machine == "K-07" }, partName{})
	assert.Equal(t, f.places[:1], locationsPart(f.places, part))
}

// A day at the bench that was decided before a machine came is not shown to who has it now.
func TestMovesOfAPart(t *testing.T) {
	f := yard()
	came := noon.AddDate(0, 0, -3)
	for _, c := range []struct {
		taken, received time.Time
		shown           bool
	}{{came.Add(-time.Hour), came.Add(-time.Hour), false}, {came.Add(time.Hour), came.Add(-time.Hour), false}, {came.Add(time.Hour), came.Add(2 * time.Hour), true}} {
		part := newFleetPart(f, f, func(string) (time.Time, bool) { return came, true }, partName{})
		m := part.machine(Machine{Assessment: f.machines[0].Assessment, Move: &plan.Move{Day: "2026-03-09", Taken: c.taken, Received: c.received}})
		assert.Equal(t, c.shown, m.Move != nil, "%v", c)
	}
}
