package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// tab is a page of a real, headless browser looking at a server.
type tab struct {
	t   *testing.T
	ctx context.Context
	url string

	server *httptest.Server

	mu       sync.Mutex
	troubles []string // console errors, exceptions, requests elsewhere
}

// open starts a browser on a server of f. A browser that is not there fails the
// test: CI installs one.
func open(t *testing.T, f *fake) *tab { t.Helper(); return openOn(t, serverFor(t, f).Handler()) }

// openOn starts a browser on a server with this handler.
func openOn(t *testing.T, h http.Handler) *tab {
	t.Helper()
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	ctx, cancel := chromedp.NewContext(context.Background())
	t.Cleanup(cancel)
	most := 5 * time.Minute // a hung browser ends the test
	if *drawInto != "" {
		most *= 5
	}
	ctx, timeout := context.WithTimeout(ctx, most)
	t.Cleanup(timeout)
	b := &tab{t: t, ctx: ctx, url: server.URL, server: server}
	require.NoError(t, chromedp.Listen(ctx, b.listen))
	_, err := chromedp.Call(ctx, network.Enable, network.EnableParams{})
	require.NoError(t, err)
	return b
}

func (b *tab) listen(ev any) {
	text := ""
	switch ev := ev.(type) {
	case *runtime.EventConsoleAPICalled:
		if ev.Type == "error" || ev.Type == "warning" {
			text = fmt.Sprintf("console: %v", ev.Args)
		}
	case *runtime.EventExceptionThrown:
		text = "exception: " + ev.ExceptionDetails.Text
	case *log.EventEntryAdded:
		if ev.Entry.Level == "error" || ev.Entry.Level == "warning" {
			text = "log: " + ev.Entry.Text + " " + ev.Entry.URL
		}
	case *network.EventRequestWillBeSent:
		if !strings.HasPrefix(ev.Request.URL, b.url) && !strings.HasPrefix(ev.Request.URL, "data:") && !strings.HasPrefix(ev.Request.URL, "blob:") {
			text = "request elsewhere: " + ev.Request.URL
		}
	}
	if text != "" {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.troubles = append(b.troubles, text)
	}
}

// troubled returns what went wrong since the last time it was asked.
func (b *tab) troubled() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	text := b.troubles
	b.troubles = nil
	return text
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, steps...))
}

func (b *tab) show(path string) { b.t.Helper(); b.do(chromedp.Navigate(b.url + path)) }

// own makes an expression import the scripts of this edition, as pages do: a script
// under another address would be another copy, with a memory of its own.
func own(t *testing.T, expression string) string {
	t.Helper()
	texts, err := shown()
	require.NoError(t, err)
	return strings.ReplaceAll(expression, `import("/static/`, `import("`+texts.assets.link(""))
}

// look asks the page: the value of a JavaScript expression.
func look[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](own(b.t, expression), chromedp.EvalAwaitPromise))
	require.NoError(b.t, err, expression)
	return v
}

// navigated is how a browser says that the page it was asked about is gone.
var navigated = regexp.MustCompile("Cannot find context|Execution context was destroyed|navigated or closed")

// until waits for an expression to hold.
func (b *tab) until(expression string) { b.t.Helper(); poll[bool](b, expression) }

// poll waits for an expression to have a value other than none, and returns it. A page
// that was loaded anew while it was asked is asked again.
func poll[T any](b *tab, expression string) T {
	b.t.Helper()
	for {
		v, err := chromedp.Run(b.ctx, chromedp.Poll[T](own(b.t, expression)))
		if err != nil && navigated.MatchString(err.Error()) {
			continue
		}
		require.NoError(b.t, err, expression)
		return v
	}
}

// Colours do not fade into each other: on a slow computer axe would look half way.
func (b *tab) theme(scheme string) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	require.NoError(b.t, err)
}

// fingers makes the pointer a finger on a phone.
func (b *tab) fingers() {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(390, 800, chromedp.EmulateMobile))
	_, err := chromedp.Call(b.ctx, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true})
	require.NoError(b.t, err)
}

// tap clicks the control that shows the words, as a finger would, and counts.
func (b *tab) tap(count *int, words string) {
	b.t.Helper()
	b.press(controlThatShows(b.t, words))
	*count++
}

// controlThatShows is the expression of the control in sight that shows the words.
func controlThatShows(t *testing.T, words string) string {
	t.Helper()
	const all = `document.querySelectorAll("dialog[open] button, button, .tile, a, summary")`
	quoted, err := json.Marshal(words)
	require.NoError(t, err)
	return `[...` + all + `].find(e => e.textContent.trim() === ` + string(quoted) + ` && e.checkVisibility())`
}

// press clicks an element where it stands, once the page is loaded and nothing covers it:
// a browser may forget the element itself between finding and clicking.
func (b *tab) press(element string) {
	b.t.Helper()
	at := poll[[]float64](b, whereToPress(element))
	b.do(chromedp.MouseClickXY(at[0], at[1]))
}

// whereToPress is the expression of the middle of an element, null until the page is loaded
// and nothing covers it.
func whereToPress(element string) string {
	return `(() => {
	  const hit = document.readyState === "complete" && ` + element + `;
	  if (!hit) return null;
	  hit.scrollIntoView({ block: "center", behavior: "instant" });
	  const box = hit.getClientRects()[0];
	  const x = box.x + box.width / 2, y = box.y + box.height / 2;
	  return hit.contains(document.elementFromPoint(x, y)) ? [x, y] : null;
	})()`
}

// browserPages are the pages as a browser is to see them.
var browserPages = []string{
	"/?by=site&days=365", "/wall", "/machines", "/machines?view=table", "/machines/K-07", "/machines/K-11?axis=date&points=measured&days=30", "/machines/nobody", "/moved?machine=K-07",
	"/moved?machine=K-07&temperature_c=4&humidity_pct=80&altitude_m=1390", "/moved?machine=K-07&temperature_c=214", "/moved?choose=1", "/start", "/moved?machine=K-07&site=Tarn+Pass&temperature_c=4&humidity_pct=80&machine_cold=true", "/log?machine=K-07&arrived=yes&temperature_c=4&altitude_m=1390&passed=false",
	"/log?machine=K-07", "/log?choose=1", "/service?machine=K-11", "/service", "/morning", "/alerts", "/spares", "/settings", "/settings?scope=machine&name=K-07", "/import", "/plan", "/accounts", "/rules", "/compare", "/compare?by=machine", "/look-back", "/look-back?machine=K-07&from=yesterday", "/refused", "/phone", "/help", "/help/alerts", "/help/records", "/nothing", "/correct?machine=K-07&corrects=K-07-5",
}

func TestPagesInABrowser(t *testing.T) {
	axe, err := os.ReadFile("testdata/axe/axe.min.js")
	require.NoError(t, err)
	s := openServer(t, crowd(60))
	h := s.Handler()
	b := openOn(t, h)
	pages := browserPages
	if *drawInto != "" {
		pages = pagesOf(t, s)
	}
	for _, path := range append(pages[:len(pages):len(pages)], heldTable(t, h)) {
		for _, scheme := range []string{"light", "dark"} {
			b.theme(scheme)
			for _, width := range []int64{320, 1280} {
				b.do(chromedp.EmulateViewport(width, 800))
				b.show(path)
				at := fmt.Sprintf("%s, %s, %d px", path, scheme, width)
				look[int](b, `document.querySelectorAll("details").forEach(d => d.open = true), 0`)
				assert.LessOrEqual(t, look[int64](b, "document.documentElement.scrollWidth"), width, "%s: no sideways scroll", at)
				assert.Empty(t, look[[]string](b, tooSmall), "%s: every control is large enough", at)
				if width == 1280 || scheme == "light" {
					look[int](b, string(axe)+"; 0")
					assert.Empty(t, look[[]string](b, violations), "%s: axe", at)
				}
				b.draw(path, scheme, width)
			}
		}
		look[int](b, `document.documentElement.style.fontSize = "200%", 0`)
		for _, width := range []int64{640, 390} {
			b.do(chromedp.EmulateViewport(width, 800))
			assert.LessOrEqual(t, look[int64](b, "document.documentElement.scrollWidth"), width, "%s: text at 200 %%, %d px", path, width)
		}
		for _, trouble := range b.troubled() {
			if !strings.Contains(trouble, "status of 4") { // a page that answers 400 or 404 is meant to
				t.Errorf("%s: %s", path, trouble)
			}
		}
	}
}

// heldTable uploads a table and returns the path of the page on which its columns are
// mapped.
func heldTable(t *testing.T, h http.Handler) string {
	t.Helper()
	c := &clerk{t: t, handler: h}
	page := c.upload("workshop-north.csv", "", table(t, "workshop-north.csv")).Body.String()
	token := formOf(t, page).Get("table")
	require.NotEmpty(t, token)
	return importPath + "?table=" + token
}

// tooSmall lists the controls under 48 px, or 56 px on field pages, in height or
// width. A link inside a sentence is exempt, as in WCAG 2.5.5; only the manual has some. The
// lines of a dense table may be 24 px where no finger points (WCAG 2.5.8).
const tooSmall = `(() => {
  const least = document.querySelector(".field-page") ? 56 : 48;
  return [...document.querySelectorAll("a, button, summary, select, input, .tile")]
    .filter(e => e.type !== "hidden" && e.checkVisibility() && !e.matches(".skip, .errors a, .prose:not(.contents) a"))
    .filter(e => { const r = e.getBoundingClientRect(), min = e.matches(".dense a") && !matchMedia("(pointer: coarse)").matches ? 24 : least; return r.height < min - 0.5 || r.width < min - 0.5; })
    .map(e => e.outerHTML.slice(0, 80) + " " + JSON.stringify(e.getBoundingClientRect()));
})()`

const violations = `axe.run({resultTypes: ["violations"], runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
  .then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.html.slice(0, 120) + " " + n.any.map(c => c.message).join("; "))))`

// Every control of a page is reached by the Tab key, in order, and is seen when
// it is.
func TestKeyboardWalk(t *testing.T) {
	b := open(t, yard())
	b.do(chromedp.EmulateViewport(1280, 800))
	for _, path := range []string{"/", "/machines/K-07", "/log?machine=K-07"} {
		b.show(path)
		// A group of radio buttons is one stop.
		stops := look[int](b, `(() => { const seen = new Set(); return [...document.querySelectorAll("a[href], button, input, select, summary, [tabindex='0']")]
			.filter(e => e.type !== "hidden" && e.checkVisibility({visibilityProperty: true}) && !(e.type === "radio" && (seen.has(e.name) || !seen.add(e.name)))).length })()`)
		reached := map[string]bool{}
		for range stops {
			b.do(chromedp.KeyEvent("\t"))
			at := look[string](b, `(() => {
				const e = document.activeElement, box = e.type === "radio" || e.type === "checkbox" ? e.nextElementSibling : e;
				const r = box.getBoundingClientRect(), style = getComputedStyle(box);
				if (style.outlineStyle === "none" || parseFloat(style.outlineWidth) < 2) return "focus not seen on " + e.outerHTML.slice(0, 80);
				if (r.bottom < 0 || r.top > innerHeight) return "focus out of view on " + e.outerHTML.slice(0, 80);
				e.dataset.walk ??= String(document.querySelectorAll("[data-walk]").length);
				return e.dataset.walk;
			})()`)
			require.NotContains(t, at, "focus", path)
			reached[at] = true
		}
		assert.Len(t, reached, stops, "%s: every stop once", path)
	}
}

// A good calibration in at most 3 taps, a failed session in 5, a service in 5, a new
// pair in 11, without a typed character.
func TestTaps(t *testing.T) {
	for name, c := range map[string]struct {
		path string
		most int
		taps []string
		made int
		has  []string
	}{
		"good":     {"/log?machine=K-07", 3, []string{"Passed", "Save", "Save now"}, 1, []string{`"passed":true`, `"attempts":1`}},
		"failed":   {"/log?machine=K-07", 5, []string{"Failed", "3", "Another one", "Save", "Save now"}, 1, []string{`"passed":false`, `"attempts":3`, `"cleaver":"another"`}},
		"service":  {"/service?machine=K-11", 5, []string{"Cleaned", "Dirty", "Save", "Save now"}, 1, []string{`"action":"cleaned"`, `"finding":"dirty"`}},
		"new pair": {"/service?machine=K-11", 11, []string{"Failed", "Replaced, both", "Worn", "30 minutes ago", "Save", "Save now"}, 2, []string{`"action":"replaced"`, `"finding":"worn"`, `"passed":false`}},
	} {
		t.Run(name, func(t *testing.T) {
			f := yard()
			b := open(t, f)
			b.fingers()
			b.show(c.path)
			taps := 0
			for _, words := range c.taps {
				b.tap(&taps, words)
			}
			b.do(chromedp.WaitVisible(".verdict"))
			b.until(`!document.querySelector("#fate:not(.received)")`)
			assert.Equal(t, "Saved", look[string](b, `document.querySelector("h1").textContent`))
			assert.LessOrEqual(t, taps, c.most)
			var all []byte
			for _, o := range f.offers() {
				all = o.Record.AppendCanonical(all)
			}
			assert.Len(t, f.offers(), c.made)
			for _, part := range c.has {
				assert.Contains(t, string(all), part)
			}
			assert.Empty(t, b.troubled())
		})
	}
}

func TestUndoAndLeaving(t *testing.T) {
	f := yard()
	b := open(t, f)
	b.fingers()
	taps := 0
	b.show("/log?machine=K-07")
	b.tap(&taps, "Failed")
	b.tap(&taps, "Save")
	b.tap(&taps, "Undo")
	b.show("/morning")
	assert.Empty(t, f.offers(), "what was taken back is not sent, not even on leaving")

	b.show("/log?machine=K-07")
	b.tap(&taps, "Passed")
	b.tap(&taps, "Save")
	b.until("!!(" + controlThatShows(t, "Undo") + ")") // it is kept
	b.show("/morning")                                 // the phone goes back into the pocket
	assert.Eventually(t, func() bool { return len(f.offers()) == 1 }, time.Minute, 20*time.Millisecond, "what was saved is sent on leaving")
	assert.Empty(t, b.troubled())
}

func TestKeypadHasMinusAndMark(t *testing.T) {
	f := yard()
	b := open(t, f)
	b.fingers()
	b.show("/moved?machine=M-09")
	taps := 0
	b.press(`document.getElementById("temperature_c")`)
	assert.Empty(t, look[[]string](b, tooSmall))
	assert.Equal(t, "Air temperature, °C", look[string](b, `document.getElementById("keypad-name").textContent`))
	axe, err := os.ReadFile("testdata/axe/axe.min.js")
	require.NoError(t, err)
	for _, scheme := range []string{"light", "dark"} {
		b.theme(scheme)
		look[int](b, string(axe)+"; 0")
		assert.Empty(t, look[[]string](b, violations), "axe on the open keypad, %s", scheme)
	}
	for _, key := range []string{"Clear", "1", "2", "⌫", "−", "8", "."} {
		b.tap(&taps, key)
	}
	b.tap(&taps, "5")
	b.tap(&taps, "Done")
	assert.Equal(t, "-18.5", look[string](b, `document.getElementById("temperature_c").value`))
	assert.Equal(t, "none", look[string](b, `document.getElementById("temperature_c").inputMode`), "the phone's own keypad stays away")
	b.tap(&taps, "Ask")
	b.do(chromedp.WaitVisible(".verdict"))
	f.mu.Lock()
	defer f.mu.Unlock()
	require.Len(t, f.asked, 1)
	assert.Equal(t, some(-18.5), f.asked[0].Temperature)
	assert.Empty(t, b.troubled())
}

func TestBoardIsLive(t *testing.T) {
	f := yard()
	b := open(t, f)
	b.show("/machines")
	require.Contains(t, look[string](b, `document.querySelector(".board > li:last-child").textContent`), "Fit")
	f.turn("K-15", "stop")
	const reload = `document.dispatchEvent(new Event("visibilitychange")), 0` // sooner than its ten seconds
	look[int](b, reload)
	b.until(`document.querySelector(".board > li:last-child").textContent.includes("Stop")`)
	b.until(`document.getElementById("live").textContent.startsWith("Up to date")`)
	assert.Empty(t, b.troubled())

	b.server.Close()
	look[int](b, reload)
	b.until(`document.getElementById("live").textContent.startsWith("No answer from the agent since")`)
}

// The values of a chart are read at a point by keyboard and pointer, from the table of the
// page; the page that comes anew can be read as well. A chart is saved as a picture.
func TestChartsCanBeRead(t *testing.T) {
	b := open(t, yard())
	b.do(chromedp.EmulateViewport(1280, 800))
	for path, columns := range map[string]int{"/": 5, "/machines/K-07?axis=date": 1} {
		b.show(path)
		b.until(`document.querySelectorAll(".face").length === ` + fmt.Sprint(columns))
		look[int](b, `document.querySelector(".face").focus(), 0`)
		last := look[string](b, `document.querySelector(".face").getAttribute("aria-valuetext")`)
		b.do(chromedp.KeyEvent(kb.ArrowLeft))
		b.until(`document.querySelector(".readout").textContent === document.querySelector(".face").getAttribute("aria-valuetext")`)
		before := look[string](b, `document.querySelector(".readout").textContent`)
		assert.NotEqual(t, last, before)
		b.do(chromedp.KeyEvent(kb.End))
		b.until(`document.querySelector(".readout").textContent === ` + fmt.Sprintf("%q", last))
		look[int](b, `(() => { const s = [...document.querySelectorAll("figure svg[data-left]")].find(s => s.checkVisibility()), r = s.getBoundingClientRect();
			s.dispatchEvent(new PointerEvent("pointermove", { bubbles: true, clientX: r.left + 1, clientY: r.top + 9 })); return 0 })()`)
		assert.NotEqual(t, last, look[string](b, `document.querySelector(".readout").textContent`))
		assert.Equal(t, "0", look[string](b, `document.querySelector(".face").getAttribute("aria-valuenow")`), path)
	}
	b.show("/")
	look[int](b, `(() => { window.saved = []; HTMLAnchorElement.prototype.click = function () { window.saved.push(this.download); }; return 0 })()`)
	taps := 0
	b.tap(&taps, "Save as SVG")
	b.tap(&taps, "Save as PNG")
	b.until(`window.saved.length === 2`)
	assert.Equal(t, []string{"Machines-by-state.svg", "Machines-by-state.png"}, look[[]string](b, `window.saved`))
	assert.Empty(t, b.troubled())
}

// The screen in the depot updates itself, says when it lost contact, and takes that back.
func TestWallSaysWhenItIsCutOff(t *testing.T) {
	f := yard()
	b := open(t, f)
	b.do(chromedp.EmulateViewport(1920, 1080))
	b.show("/wall")
	const again = `document.dispatchEvent(new Event("visibilitychange")), 0` // sooner than its ten seconds
	f.turn("K-15", "stop")
	look[int](b, again)
	b.until(`document.querySelector(".tally .stop").textContent.includes("2")`)
	assert.LessOrEqual(t, look[int64](b, `document.documentElement.scrollHeight`), int64(1080), "nothing is below the edge")
	// Letters of 20 minutes of arc at 4 m, on a screen of 43 inches: see style.css.
	small := look[float64](b, `Math.min(...[...document.querySelectorAll(".tally *, .rows *, .wall-age, .rest")].map(e => parseFloat(getComputedStyle(e).fontSize)))`)
	assert.GreaterOrEqual(t, small*0.72*536/1080, 4000*6.283*20/21600)
	assert.True(t, look[bool](b, `document.getElementById("lost").hidden`))
	assert.Empty(t, b.troubled())
	b.server.Close()
	look[int](b, again)
	b.until(`document.getElementById("lost").textContent.startsWith("No contact with the agent since")`)
	assert.True(t, look[bool](b, `document.getElementById("lost").checkVisibility()`))
}
