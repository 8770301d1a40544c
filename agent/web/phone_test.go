package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// hole is a network that a phone loses: requests end without an answer, or are
// carried out and the answer is lost.
type hole struct {
	http.Handler
	gone atomic.Bool
	// lose is how many answers to records are still to be lost.
	lose   atomic.Int64
	posted atomic.Int64
}

func (h *hole) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if h.gone.Load() {
		panic(http.ErrAbortHandler)
	}
	if r.Method == http.MethodPost {
		h.posted.Add(1)
		if h.lose.Add(-1) >= 0 {
			h.Handler.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler)
		}
	}
	h.Handler.ServeHTTP(w, r)
}

// served waits until the phone can load pages by itself.
func (b *tab) served() {
	b.t.Helper()
	b.until(`navigator.serviceWorker.controller !== null`)
	b.until(`caches.match("/phone").then(x => x !== undefined)`)
}

func TestPhoneWithoutTheAgent(t *testing.T) {
	real := think(t, yard())
	server := serverFor(t, real.fake)
	server.Fleet = real
	h := &hole{Handler: server.Handler()}
	b := openOn(t, h)
	b.fingers()
	machines, _ := real.Board()
	machine := machines[3].Machine
	b.show("/log?choose=1")
	b.served()
	b.show("/moved?machine=" + machine)
	b.until(`import("/static/queue.js").then(q => q.savedTables()).then(t => t.length > 3)`)
	b.troubled()

	h.gone.Store(true)
	b.show("/log?machine=" + machine + "&trigger=moved")
	taps := 0
	// The page for that machine was never loaded: the one to choose from stands in,
	// with the link's machine chosen.
	b.tap(&taps, "Failed")
	b.tap(&taps, "2")
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now (10 s)")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.LessOrEqual(t, taps, 8)
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), machine+"Calibration failed, 2 tries")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to send.")`)
	assert.Contains(t, look[string](b, `document.querySelector("main").textContent`), "eye protection")

	// After a reload, on any page, it is still in sight.
	b.show("/morning")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to send.")`)
	assert.Equal(t, "On the phone", look[string](b, `document.querySelector("h1").textContent`), "a page that needs the agent says what works without")

	b.show("/moved?machine=" + machine + "&temperature_c=4&humidity_pct=40&altitude_m=1390")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.getElementById("since").textContent`), "Answered on this phone without the agent")
	assert.Equal(t, "1390", look[string](b, `document.getElementById("altitude_m").value`))
	b.show("/moved?machine=nobody&temperature_c=4")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "Cannot tell. Play safe: recalibrate")
	assert.Empty(t, real.offers())

	b.troubled() // requests that failed are what this is about
	h.gone.Store(false)
	b.show("/log?choose=1")
	b.until(`import("/static/queue.js").then(q => q.waiting()).then(w => w.length === 0)`)
	b.until(`document.getElementById("waiting").textContent === ""`)
	require.Len(t, real.offers(), 1)
	got := string(real.offers()[0].Record.AppendCanonical(nil))
	assert.Contains(t, got, `"machine":"`+machine+`"`)
	assert.Contains(t, got, `"trigger":"moved"`)
	assert.Contains(t, got, `"attempts":2`)
	for _, said := range b.troubled() {
		assert.Contains(t, said, "net::ERR_EMPTY_RESPONSE", "only late word of a request from when the agent was gone")
	}
}

// What the phone makes of the form is what the agent makes of it.
func TestPhoneMakesTheSameRecord(t *testing.T) {
	for _, unit := range []string{"si", "us"} {
		f := yard()
		b := openOn(t, serverFor(t, f).Handler())
		b.show("/log?machine=K-07&units=" + unit)
		made := look[map[string]any](b, `import("/static/record.js").then(({ recordOf }) => {
			const form = document.querySelector("form[data-send]");
			for (const [name, value] of [["passed", "true"], ["recleaved", "false"], ["attempts", "3"], ["cleaver", "another"], ["trigger", "moved"], ["minutes", "30"]]) {
				[...form.elements[name]].find(r => r.value === value).checked = true;
			}
			for (const [name, value] of Object.entries({ site: " Tarn Pass", temperature_c: "−8,5", altitude_m: "812", pressure_hpa: "", arc_count: "1903", power_correction_pct: "0" })) form.elements[name].value = value;
			form.elements.same_air.checked = true;
			window.typed = new URLSearchParams(new FormData(form)).toString();
			return recordOf(form);
		})`)
		w := postForm(t, f, look[string](b, "window.typed"), unit)
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
		raw, err := json.Marshal(made)
		require.NoError(t, err)
		require.Equal(t, http.StatusCreated, post(t, f, string(raw)).Code, string(raw))
		form, phone := f.taken[0].Record, f.taken[1].Record
		phone.ID = form.ID
		// The test's clock stands, the browser's does not.
		assert.InDelta(t, 30, time.Since(phone.Time).Minutes(), 2)
		phone.Time = form.Time
		assert.True(t, form.SameBody(&phone), "%s\n%s", form.AppendCanonical(nil), phone.AppendCanonical(nil))
	}
}

func TestPhoneRefusesWhatIsNoNumber(t *testing.T) {
	f := yard()
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/log?machine=K-07")
	for typed, said := range map[string]string{"12x": "This is not a number.", "214": "It must be from -40 to 60."} {
		assert.Equal(t, said, look[string](b, `import("/static/record.js").then(({ recordOf }) => {
			const form = document.querySelector("form[data-send]");
			form.elements.temperature_c.value = "`+typed+`";
			return recordOf(form) === undefined ? form.elements.temperature_c.validationMessage : "made";
		})`))
	}
}

// A phone that is refused says so until somebody has read it.
func TestPhoneShowsARefusal(t *testing.T) {
	f := yard()
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/morning")
	look[int](b, `import("/static/queue.js").then(q => q.keep({ type: "calibration", id: "x", machine: "K-07", passed: true, temperature_c: 999 })).then(() => 0)`)
	b.show("/morning")
	b.until(`document.getElementById("waiting").textContent.includes("was not taken")`)
	sent := len(f.offers())
	b.show("/log?machine=K-07")
	b.until(`document.getElementById("waiting").textContent.includes("was not taken")`)
	assert.Len(t, f.offers(), sent, "it is not sent again")
	taps := 0
	b.tap(&taps, "Understood")
	b.until(`document.getElementById("waiting").textContent === ""`)
}

// phoneOn starts a browser that keeps its memory in a folder.
func phoneOn(t *testing.T, profile, url string) *tab {
	t.Helper()
	locks, err := filepath.Glob(filepath.Join(profile, "Singleton*"))
	require.NoError(t, err)
	for _, lock := range locks { // a killed browser leaves them
		require.NoError(t, os.Remove(lock))
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.UserDataDir(profile))...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 5*time.Minute) // a hung browser ends the test
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx, url: url}
	b.do() // starts it
	return b
}

// kill ends the browser as an empty battery does.
func (b *tab) kill() {
	b.t.Helper()
	process := chromedp.FromContext(b.ctx).Browser.Process()
	require.NoError(b.t, process.Kill())
	require.Eventually(b.t, func() bool { return process.Signal(syscall.Signal(0)) != nil }, 20*time.Second, 10*time.Millisecond)
}

// keepMany is what a phone does in one stretch: it makes records and keeps them,
// and sends twice at once, while the network comes and goes.
const keepMany = `(async (from, to) => {
	const q = await import("/static/queue.js");
	window.done = 0;
	for (let i = from; i < to; i++) {
		await q.keep({ type: "calibration", id: "phone-" + i, machine: "K-07", time: new Date(1772000000000 + 60000 * i).toISOString(), passed: i % 7 > 0, attempts: 1 + i % 3 });
		window.done++;
		if (i % 10 === 0) { q.send().catch(() => {}); q.send().catch(() => {}); }
	}
	return window.done;
})`

// A thousand entries made without a network, with pages reloaded and browsers
// killed, sent twice and answers lost: none is lost, none doubled. More with
// ARCDRIFT_PHONE_ENTRIES.
func TestThousandEntriesOffline(t *testing.T) {
	entries := 1000
	if n, err := strconv.Atoi(os.Getenv("ARCDRIFT_PHONE_ENTRIES")); err == nil && n > entries {
		entries = n
	}
	kept := &storetest.Memory{}
	door := intake.New(kept, time.Now, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() { _ = door.Run(ctx) })
	t.Cleanup(func() { stop(); run.Wait() })
	server := serverFor(t, yard())
	server.Door, server.Now = door, time.Now
	h := &hole{Handler: server.Handler()}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	web := &http.Server{Handler: h}
	go func() { _ = web.Serve(listener) }()
	t.Cleanup(func() { _ = web.Close() })

	const stretch = 20
	profile := t.TempDir()
	b := phoneOn(t, profile, "http://"+listener.Addr().String())
	b.show("/log?choose=1")
	b.served()
	kills, reloads := 0, 0
	for from := 0; from < entries; from += stretch {
		h.gone.Store(from%100 < 80) // the network is there for one stretch of five
		h.lose.Store(1)
		stretched := fmt.Sprintf("%s(%d, %d)", keepMany, from, min(from+stretch, entries))
		if from/stretch%10 == 7 { // the battery dies in the middle of it
			look[int](b, stretched+"; 0")
			b.until(`window.done > 5`)
			safe := look[int](b, "window.done")
			b.kill()
			b = phoneOn(t, profile, b.url)
			b.show("/log?choose=1")
			waiting := look[[]string](b, `import("/static/queue.js").then(q => q.waiting()).then(all => all.map(item => item.id))`)
			for i := from; i < from+safe; i++ {
				_, arrived, err := kept.Find("phone-" + strconv.Itoa(i))
				require.NoError(t, err)
				assert.True(t, arrived || slices.Contains(waiting, "phone-"+strconv.Itoa(i)), "what was said to be kept outlives the kill: %d", i)
			}
			kills++ // and the person enters it all once more
		}
		look[int](b, stretched)
		b.show("/log?choose=1")
		reloads++
	}
	h.gone.Store(false)
	b.show("/log?choose=1")
	b.until(`import("/static/queue.js").then(async q => { await q.send().catch(() => {}); return (await q.waiting()).length === 0; })`)
	b.kill()

	history, err := kept.History("K-07")
	require.NoError(t, err)
	seen := map[string]int{}
	for i := range history {
		seen[history[i].ID]++
	}
	lost, doubled := 0, len(history)-len(seen)
	for i := range entries {
		if seen["phone-"+strconv.Itoa(i)] == 0 {
			lost++
		}
	}
	t.Logf("%d entries, %d reloads, %d kills, %d uploads: %d lost, %d doubled", entries, reloads, kills, h.posted.Load(), lost, doubled)
	assert.Zero(t, lost)
	assert.Zero(t, doubled)
	conflicts, err := kept.Conflicts()
	require.NoError(t, err)
	assert.Empty(t, conflicts)
	assert.Positive(t, kills)
}

// postForm posts a form as it stood in the browser.
func postForm(t *testing.T, f *fake, form, unit string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("POST", "/log", strings.NewReader(form+"&units="+unit))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return ask(t, f, r)
}
