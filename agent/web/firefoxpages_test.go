package web

import (
	"net/http/httptest"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// onItsWay is a picture that the worker still fetched when its page was left.
var onItsWay = regexp.MustCompile(`^console: Failed to load .*/static/icon(-\d+\.png|\.svg).*ServiceWorker`)

// Every page in Firefox, light on a phone and dark on a desktop; axe, which takes most of
// the time, looks at each in one of the two by turns, and has seen both in another browser.
func TestPagesInFirefox(t *testing.T) {
	axe, err := os.ReadFile("testdata/axe/axe.min.js")
	require.NoError(t, err)
	h := openServer(t, crowd(60)).Handler()
	url := serve(t, h)
	pages := append(browserPages[:len(browserPages):len(browserPages)], heldTable(t, h))
	for scheme, width := range map[string]int{"light": 390, "dark": 1280} {
		f := foxOn(t, t.TempDir(), url, scheme)
		f.size(width, 800)
		sound := func(path, opened string, withAxe bool) {
			f.show(path)
			foxLook[int](f, `document.querySelectorAll("`+opened+`").forEach(d => d.open = true), 0`)
			assert.LessOrEqual(t, foxLook[int](f, "document.documentElement.scrollWidth"), width, "%s, %s: no sideways scroll", path, scheme)
			assert.Empty(t, foxLook[[]string](f, tooSmall), "%s, %s: every control is large enough", path, scheme)
			if withAxe {
				f.call("script.evaluate", map[string]any{"expression": string(axe) + "; 0", "target": map[string]string{"context": f.page}, "awaitPromise": false}, nil)
				assert.Empty(t, foxLook[[]string](f, violations), "%s, %s: axe", path, scheme)
			}
			for _, trouble := range f.troubled() {
				if !onItsWay.MatchString(trouble) {
					t.Errorf("%s, %s: %s", path, scheme, trouble)
				}
			}
		}
		for i, path := range pages {
			sound(path, "details:not(#menu)", (i%2 == 0) == (scheme == "light"))
		}
		require.Equal(t, scheme == "dark", foxLook[bool](f, `matchMedia("(prefers-color-scheme: dark)").matches`))
		sound("/help", "#menu", true) // lies over the page
		f.kill()
	}
}

// A good check in three taps, and an answer on arrival in three, in Firefox.
func TestTapsInFirefox(t *testing.T) {
	yard := yard()
	yard.air = map[string]drift.AirReading{"K-07": {Time: time.Now(), Temperature: some(4.0), Humidity: some(80.0)}}
	s := serverFor(t, yard)
	s.Now = time.Now // the page counts how old the reading is
	server := httptest.NewServer(s.Handler())
	t.Cleanup(server.Close)
	f := foxOn(t, t.TempDir(), server.URL, "light")
	f.size(390, 800)
	f.show("/log?machine=K-07")
	taps := 0
	for _, words := range []string{"Passed", "Save", "Save now"} {
		f.tap(&taps, words)
	}
	f.until(`document.querySelector("#fate.received") !== null`)
	assert.LessOrEqual(t, taps, 3)
	require.Len(t, yard.offers(), 1)
	assert.Contains(t, string(yard.offers()[0].Record.AppendCanonical(nil)), `"passed":true`)

	f.show("/moved?machine=K-07")
	taps = 0
	for _, words := range []string{"Tarn Pass 1,390\u00a0m", "No, as warm as here", "Ask"} {
		f.tap(&taps, words)
	}
	f.until(`document.querySelector(".verdict") !== null`)
	assert.Equal(t, 3, taps)
	yard.mu.Lock()
	require.Len(t, yard.asked, 1)
	assert.Equal(t, some(1390.0), yard.asked[0].Altitude)
	yard.mu.Unlock()
	assert.Empty(t, f.troubled())
}

// After a cold start of Firefox and without a network: the alert, a check logged from it,
// and an answer on arrival.
func TestColdStartOfFirefox(t *testing.T) {
	real := think(t, yard())
	server := serverFor(t, real.fake)
	server.Fleet = real
	machines := real.Board().Machines()
	real.alerts.begin(machines)
	h := &hole{Handler: server.Handler()}
	url, profile := serve(t, h), t.TempDir()
	f := foxOn(t, profile, url, "light")
	f.show("/phone")
	f.until(`navigator.serviceWorker.controller !== null`)
	f.until(`caches.match("/alerts").then(x => x !== undefined)`)
	f.until(`caches.match("/machines/` + machines[2].Machine + `").then(x => x !== undefined)`)
	f.until(`import("/static/queue.js").then(q => q.savedTables()).then(t => t.length === ` + strconv.Itoa(len(machines)) + `)`)
	f.kill()
	h.gone.Store(true)

	f = foxOn(t, profile, url, "light")
	f.size(390, 800)
	f.show("/alerts")
	f.until(`document.getElementById("kept-page")?.checkVisibility()`)
	assert.Equal(t, "Alerts", foxLook[string](f, `document.querySelector("h1").textContent`))
	require.True(t, foxLook[bool](f, `document.querySelectorAll(".steps li").length > 0`))
	taps := 0
	f.press(`document.querySelector(".outcomes a")`)
	f.until(`location.pathname === "/log" && document.querySelector("[name=passed]:checked") !== null`)
	f.tap(&taps, "Save")
	f.tap(&taps, "Save now")
	f.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)

	f.show("/moved?machine=" + machines[1].Machine)
	f.until(`document.querySelector("form#moved [name=machine]:checked")?.value === "` + machines[1].Machine + `"`)
	f.tap(&taps, "Tarn Pass 1,390\u00a0m")
	foxLook[int](f, `document.getElementById("temperature_c").value = "4", document.getElementById("humidity_pct").value = "40", 0`)
	f.tap(&taps, "No, as warm as here")
	f.tap(&taps, "Ask")
	f.until(`document.querySelector(".verdict") !== null`)
	seen := foxLook[string](f, `document.querySelector("main").textContent`)
	assert.Contains(t, seen, "Answered on this phone without the agent")
	assert.Contains(t, strings.Join(strings.Fields(seen), " "), machines[1].Machine+": recalibrate?")
}
