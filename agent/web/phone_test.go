package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
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
	machines := real.Board().Machines()
	machine := machines[3].Machine
	b.show("/log?choose=1")
	b.served()
	b.show("/moved?machine=" + machine)
	b.until(`import("/static/queue.js").then(q => q.savedTables()).then(t => t.length > 3)`)
	b.troubled()

	h.gone.Store(true)
	b.show("/log?machine=" + machine + "&trigger=moved")
	taps := 0
	// The page for that machine was never loaded: the page to choose from is shown,
	// with the link's machine chosen.
	b.tap(&taps, "Failed")
	b.tap(&taps, "2")
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.LessOrEqual(t, taps, 8)
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), machine+"Calibration failed, 2 attempts")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)
	assert.Contains(t, look[string](b, `document.querySelector("main").textContent`), "eye protection")

	// After a reload, on any page, it is still in sight, and moves nothing there.
	b.show("/spares")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)
	assert.True(t, look[bool](b, `(() => { const r = document.getElementById("waiting").getBoundingClientRect(); return r.height > 0 && r.bottom <= innerHeight + 1 && r.top > document.querySelector("h1").getBoundingClientRect().bottom; })()`))
	assert.Equal(t, "On the phone", look[string](b, `document.querySelector("h1").textContent`), "a page that needs the agent says what works without")
	b.until(`document.getElementById("instead").checkVisibility()`)

	b.show("/moved?machine=" + machine + "&temperature_c=4&humidity_pct=40&altitude_m=1390")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.getElementById("since").textContent`), "Answered on this phone without the agent")
	assert.Equal(t, "1390", look[string](b, `document.getElementById("altitude_m").value`))
	b.show("/moved?machine=nobody&temperature_c=4")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "Cannot tell. Recalibrate to be safe")
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
	for _, text := range b.troubled() {
		assert.Contains(t, text, "net::ERR_EMPTY_RESPONSE", "only late word of a request from when the agent was gone")
	}
}

// What the phone makes of the form is what the agent makes of it.
func TestPhoneMakesTheSameRecord(t *testing.T) {
	for _, unit := range []string{"si", "us"} {
		f := yard()
		b := openOn(t, serverFor(t, f).Handler())
		b.show("/log?machine=K-07&units=" + unit)
		made := look[map[string]any](b, `import("/static/record.js").then(({ recordsOf }) => {
			const form = document.querySelector("form[data-send]");
			for (const [name, value] of [["passed", "true"], ["recleaved", "false"], ["attempts", "3"], ["cleaver", "another"], ["trigger", "moved"], ["minutes", "30"]]) {
				[...form.elements[name]].find(r => r.value === value).checked = true;
			}
			for (const [name, value] of Object.entries({ site: " Tarn Pass", temperature_c: "−8,5", altitude_m: "812", pressure_hpa: "", arc_count: "1903", power_correction_pct: "0" })) form.elements[name].value = value;
			[...form.elements.air].find(r => r.value?.includes("humidity_pct=70")).checked = true;
			window.typed = new URLSearchParams(new FormData(form)).toString();
			return recordsOf(form)[0];
		})`)
		w := postForm(t, f, "/log", look[string](b, "window.typed"), unit)
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
		raw, err := json.Marshal(made)
		require.NoError(t, err)
		require.Equal(t, http.StatusCreated, post(t, f, string(raw)).Code, string(raw))
		form, phone := f.taken[0].Record, f.taken[1].Record
		phone.ID = form.ID
		// The test's clock is stopped, the browser's is not.
		assert.InDelta(t, 30, time.Since(phone.Time).Minutes(), 2)
		phone.Time = form.Time
		assert.True(t, form.SameBody(&phone), "%s\n%s", form.AppendCanonical(nil), phone.AppendCanonical(nil))
	}
}

// So it is with the work of the bench and with a correction.
func TestPhoneMakesTheSameOfBenchAndCorrection(t *testing.T) {
	const fill = `import("/static/record.js").then(({ recordsOf }) => {
		const form = document.querySelector("form[data-send]");
		for (const [name, value] of Object.entries(%s)) {
			const field = form.elements[name];
			if (field instanceof RadioNodeList) [...field].find(r => r.value === value).checked = true;
			else field.value = value;
		}
		window.typed = new URLSearchParams(new FormData(form)).toString();
		return recordsOf(form).map((r) => JSON.stringify(r)).join("\n");
	})`
	f := yard()
	b := openOn(t, serverFor(t, f).Handler())
	for path, filled := range map[string]string{
		"/service?machine=K-11":                            `{ found: "false", action: "replaced", finding: "worn", left: "true", found_correction_pct: "+6,5", left_correction_pct: "0", minutes: "15", pair: " lot 118", arc_count: "0", operator: "A. Ruiz" }`,
		"/service?machine=K-11&x":                          `{ action: "cleaned", arc_count: "1903" }`,
		"/correct?machine=K-07&corrects=K-07-5&units=si":   `{ reason: "typing slip", operator: "J. Lund", "fields.altitude_m": "2100,5", "fields.program": "dispersion-shifted", "fields.time": "2025-12-08T09:30", "fields.recleaved": "false" }`,
		"/correct?machine=K-07&corrects=K-07-5&units=us&x": `{ reason: "typing slip", "fields.temperature_c": "−4", "fields.arc_count": "77" }`,
	} {
		before := len(f.offers())
		b.show(path)
		made := look[string](b, fmt.Sprintf(fill, filled))
		unit := "si"
		if strings.Contains(path, "units=us") {
			unit = "us"
		}
		w := postForm(t, f, path[:strings.Index(path, "?")], look[string](b, "window.typed"), unit)
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
		agent := f.offers()[before:]
		require.Equal(t, http.StatusCreated, post(t, f, made+"\n").Code, made)
		phone := f.offers()[before+len(agent):]
		require.Len(t, phone, len(agent), made)
		began := [2]time.Time{agent[0].Record.Time, phone[0].Record.Time}
		for i := range agent {
			want, got := &agent[i].Record, &phone[i].Record
			assert.Equal(t, want.Time.Sub(began[0]), got.Time.Sub(began[1]), "in the same order")
			got.ID, got.Time = want.ID, want.Time
			assert.True(t, want.SameBody(got), "%s\n%s", want.AppendCanonical(nil), got.AppendCanonical(nil))
		}
	}
}

// Bench work and a correction whose form is open are saved without the agent,
// wait in sight, can be taken back, and arrive once.
func TestBenchAndCorrectionWithoutTheAgent(t *testing.T) {
	f := yard()
	h := &hole{Handler: serverFor(t, f).Handler()}
	b := openOn(t, h)
	b.fingers()
	b.show("/phone")
	b.served()
	b.show("/correct?machine=K-07&corrects=K-07-5")
	h.gone.Store(true)
	taps := 0
	b.tap(&taps, "Save")
	assert.Equal(t, "Why: Choose one.", look[string](b, `document.querySelector(".errors a").textContent`), "a reason is needed")
	assert.Equal(t, "#reason", look[string](b, `document.querySelector(".errors a").getAttribute("href")`))
	b.tap(&taps, "Typing slip")
	b.tap(&taps, "Save")
	assert.Equal(t, "Nothing has been changed yet.", look[string](b, `document.querySelector(".errors a").textContent`))
	look[int](b, `document.getElementById("fields.humidity_pct").value = "33", document.getElementById("fields.humidity_pct").dispatchEvent(new Event("change", { bubbles: true })), 0`)
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now")
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)

	// The page of that machine was never loaded: the page to choose from is shown.
	b.show("/service?machine=K-11")
	taps = 0
	for _, words := range []string{"Failed", "Cleaned", "Dirty", "Save", "Save now"} {
		b.tap(&taps, words)
	}
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "K-11Calibration failed · Electrodes cleaned")
	b.until(`document.getElementById("waiting").textContent.includes("3 waiting to be sent.")`)

	b.show("/phone")
	b.until(`document.querySelectorAll("#kept li").length === 3`)
	const button = `[...document.querySelectorAll("#kept li")].find(li => li.textContent.includes("Calibration failed")).querySelector("button")`
	look[int](b, button+`.click(), 0`)
	b.until(button + `.textContent === "Put back"`)
	b.until(`document.getElementById("waiting").textContent.includes("2 waiting to be sent.")`)
	look[int](b, button+`.click(), 0`)
	b.until(`document.getElementById("waiting").textContent.includes("3 waiting to be sent.")`)
	b.until(button + `.textContent === "Take back"`) // the list may follow the line
	look[int](b, button+`.click(), 0`)
	b.until(`document.getElementById("waiting").textContent.includes("2 waiting to be sent.")`)

	assert.Empty(t, f.offers())
	h.gone.Store(false)
	b.show("/phone")
	b.until(`import("/static/queue.js").then(q => q.waiting()).then(w => w.length === 0)`)
	got, all := map[string]bool{}, "" // a page left while it sends makes the next one send again
	for _, o := range f.offers() {
		require.Nil(t, o.Problem)
		got[o.Record.ID] = true
		all += string(o.Record.AppendCanonical(nil)) + "\n"
	}
	assert.Len(t, got, 2, all)
	assert.Contains(t, all, `"fields":{"humidity_pct":33}`)
	assert.Contains(t, all, `"action":"cleaned"`)
	assert.NotContains(t, all, `"calibration"`, "what was taken back is not sent")
}

func TestPhoneRefusesWhatIsNoNumber(t *testing.T) {
	f := yard()
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/log?machine=K-07")
	for typed, want := range map[string]string{"12x": "This is not a number.", "214": "It must be from -40 to 60."} {
		assert.Equal(t, want, look[string](b, `import("/static/record.js").then(({ recordsOf }) => {
			const form = document.querySelector("form[data-send]");
			form.elements.temperature_c.value = "`+typed+`";
			form.elements.passed[0].checked = true;
			return recordsOf(form) === undefined ? document.querySelector("#temperature_c-wrong").textContent : "made";
		})`))
	}
}

// A question of the agent's finds its reader, however late it comes, and blocks
// nothing.
func TestPhoneShowsAQuestion(t *testing.T) {
	f := yard()
	f.receipt = func(_ int, o intake.Submission) intake.Receipt {
		return intake.Receipt{ID: o.Record.ID, Epoch: 1, Seq: 1, Questions: []string{"A pressure of 795 hPa is usual at about 2,000 m, and the record says 200 m: which is right?"}}
	}
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/morning")
	look[int](b, `import("/static/queue.js").then(q => q.keep([{ type: "calibration", id: "x", machine: "K-07", passed: true, altitude_m: 200, pressure_hpa: 795 }])).then(() => 0)`)
	b.until(`document.getElementById("waiting").textContent.includes("which is right? The record is saved.")`)
	b.show("/log?machine=K-07")
	b.until(`document.getElementById("waiting").textContent.includes("which is right?")`)
	assert.Equal(t, "/correct?machine=K-07&corrects=x", look[string](b, `document.querySelector("#waiting a").getAttribute("href")`))
	assert.Len(t, f.offers(), 1, "it is not sent again")
	b.do(chromedp.EmulateViewport(320, 700))
	assert.LessOrEqual(t, look[int64](b, "document.documentElement.scrollWidth"), int64(320))
	assert.Empty(t, look[[]string](b, tooSmall))
	axe, err := os.ReadFile("testdata/axe/axe.min.js")
	require.NoError(t, err)
	look[int](b, string(axe)+"; 0")
	assert.Empty(t, look[[]string](b, violations))
	taps := 0
	b.tap(&taps, "Understood")
	b.until(`document.getElementById("waiting").textContent === ""`)
}

// A phone that is refused says so until somebody has read it.
func TestPhoneShowsARefusal(t *testing.T) {
	f := yard()
	b := openOn(t, serverFor(t, f).Handler())
	b.show("/morning")
	look[int](b, `import("/static/queue.js").then(q => q.keep([{ type: "calibration", id: "x", machine: "K-07", passed: true, temperature_c: 999 }])).then(() => 0)`)
	b.show("/morning")
	b.until(`document.getElementById("waiting").textContent.includes("was refused")`)
	sent := len(f.offers())
	b.show("/log?machine=K-07")
	b.until(`document.getElementById("waiting").textContent.includes("was refused")`)
	assert.Len(t, f.offers(), sent, "it is not sent again")
	taps := 0
	b.tap(&taps, "Understood")
	b.until(`document.getElementById("waiting").textContent === ""`)
}

// postForm posts a form as it stood in the browser.
func postForm(t *testing.T, f *fake, path, form, unit string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("POST", path, strings.NewReader(form+"&units="+unit))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return ask(t, f, r)
}
