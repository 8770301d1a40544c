package web

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// foxPatience ends a test that hangs. It is no measure of speed.
const foxPatience = 10 * time.Minute

// fox is a page of a real, headless Firefox, driven by the W3C's WebDriver BiDi.
type fox struct {
	t    *testing.T
	url  string // of the agent
	page string // the browsing context

	conn    *websocket.Conn
	program *exec.Cmd
	ended   sync.Once

	mu       sync.Mutex // guards what follows; also one write at a time
	last     int
	waiting  map[int]chan reply
	troubles []string // console errors, exceptions, requests elsewhere
}

// reply is what Firefox says to a command.
type reply struct {
	ID             int             `json:"id"`
	Type, Method   string          // success, error or event
	Error, Message string          `json:",omitempty"`
	Result, Params json.RawMessage `json:",omitempty"`
}

// foxSettings make a new profile quiet: nothing is asked of the network, no page is shown
// first, and colours do not fade into each other.
const foxSettings = `user_pref("layout.css.prefers-color-scheme.content-override", %d);
user_pref("ui.prefersReducedMotion", 1);
user_pref("network.captive-portal-service.enabled", false);
user_pref("network.connectivity-service.enabled", false);
user_pref("datareporting.policy.dataSubmissionEnabled", false);
user_pref("app.update.disabledForTesting", true);
`

// foxOn starts Firefox with a profile, light or dark, that looks at url. A Firefox that is
// not there fails the test: CI installs one.
func foxOn(t *testing.T, profile, url, scheme string) *fox {
	t.Helper()
	override := map[string]int{"dark": 0, "light": 1}[scheme]
	require.NoError(t, os.WriteFile(filepath.Join(profile, "user.js"), fmt.Appendf(nil, foxSettings, override), 0o600))
	f := &fox{t: t, url: url, waiting: map[int]chan reply{}}
	f.program = exec.Command("firefox-esr", "--headless", "--no-remote", "--profile", profile, "--remote-debugging-port", "0")
	f.program.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	f.program.Env = append(os.Environ(), "HOME="+profile)
	said, err := f.program.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, f.program.Start())
	t.Cleanup(f.kill)
	address := make(chan string, 1)
	go func() {
		listening := regexp.MustCompile(`ws://\S+`)
		for lines := bufio.NewScanner(said); lines.Scan(); {
			if at := listening.FindString(lines.Text()); at != "" {
				address <- at
				break
			}
		}
		_, _ = io.Copy(io.Discard, said)
	}()
	select {
	case at := <-address:
		f.conn, _, err = websocket.DefaultDialer.Dial(at+"/session", nil)
		require.NoError(t, err)
	case <-time.After(foxPatience):
		require.Fail(t, "Firefox does not listen")
	}
	go f.listen()
	f.call("session.new", map[string]any{"capabilities": map[string]any{}}, nil)
	f.call("session.subscribe", map[string]any{"events": []string{"log.entryAdded", "network.beforeRequestSent"}}, nil)
	var tree struct{ Contexts []struct{ Context string } }
	f.call("browsingContext.getTree", map[string]any{}, &tree)
	f.page = tree.Contexts[0].Context
	return f
}

// kill ends Firefox as an empty battery does.
func (f *fox) kill() {
	f.ended.Do(func() {
		_ = syscall.Kill(-f.program.Process.Pid, syscall.SIGKILL)
		_ = f.program.Wait()
		if f.conn != nil {
			_ = f.conn.Close()
		}
	})
}

// listen takes what Firefox says until it ends.
func (f *fox) listen() {
	for {
		var r reply
		if err := f.conn.ReadJSON(&r); err != nil {
			f.mu.Lock()
			defer f.mu.Unlock()
			for _, c := range f.waiting {
				c <- reply{Type: "error", Error: "ended", Message: err.Error()}
			}
			clear(f.waiting)
			return
		}
		f.mu.Lock()
		if r.Type == "event" {
			f.note(r)
		} else if c := f.waiting[r.ID]; c != nil {
			c <- r
			delete(f.waiting, r.ID)
		}
		f.mu.Unlock()
	}
}

func (f *fox) note(r reply) {
	var e struct {
		Level, Text string
		Request     struct{ URL string }
	}
	_ = json.Unmarshal(r.Params, &e)
	switch elsewhere := e.Request.URL; {
	case e.Level == "error" || e.Level == "warn":
		f.troubles = append(f.troubles, "console: "+e.Text)
	case elsewhere != "" && !strings.HasPrefix(elsewhere, f.url) && !strings.HasPrefix(elsewhere, "data:") && !strings.HasPrefix(elsewhere, "blob:"):
		f.troubles = append(f.troubles, "request elsewhere: "+elsewhere)
	}
}

// troubled returns what went wrong since the last time it was asked.
func (f *fox) troubled() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	text := f.troubles
	f.troubles = nil
	return text
}

// try gives a command and returns what Firefox answers.
func (f *fox) try(method string, params any) reply {
	f.t.Helper()
	answer := make(chan reply, 1)
	f.mu.Lock()
	f.last++
	f.waiting[f.last] = answer
	err := f.conn.WriteJSON(map[string]any{"id": f.last, "method": method, "params": params})
	f.mu.Unlock()
	require.NoError(f.t, err)
	select {
	case r := <-answer:
		return r
	case <-time.After(foxPatience):
		require.Fail(f.t, "Firefox does not answer", method)
		return reply{}
	}
}

// call gives a command that has to succeed.
func (f *fox) call(method string, params, into any) {
	f.t.Helper()
	r := f.try(method, params)
	require.Equal(f.t, "success", r.Type, "%s: %s %s", method, r.Error, r.Message)
	if into != nil {
		require.NoError(f.t, json.Unmarshal(r.Result, into))
	}
}

func (f *fox) show(path string) {
	f.t.Helper()
	f.call("browsingContext.navigate", map[string]any{"context": f.page, "url": f.url + path, "wait": "complete"}, nil)
}

func (f *fox) size(width, height int) {
	f.t.Helper()
	f.call("browsingContext.setViewport", map[string]any{"context": f.page, "viewport": map[string]int{"width": width, "height": height}}, nil)
}

// evaluate asks the page for the value of a JavaScript expression, as JSON; wrong says why
// it has none.
func (f *fox) evaluate(expression string) (value []byte, wrong string) {
	f.t.Helper()
	r := f.try("script.evaluate", map[string]any{"expression": "(async () => JSON.stringify(await (" + own(f.t, expression) + ")))()", "target": map[string]string{"context": f.page}, "awaitPromise": true})
	var said struct {
		Result           struct{ Value string }
		ExceptionDetails struct{ Text string }
	}
	if r.Type != "success" {
		return nil, r.Error + ": " + r.Message
	}
	require.NoError(f.t, json.Unmarshal(r.Result, &said))
	return []byte(said.Result.Value), said.ExceptionDetails.Text
}

// foxLook asks the page, as look does.
func foxLook[T any](f *fox, expression string) T {
	f.t.Helper()
	value, wrong := f.evaluate(expression)
	require.Empty(f.t, wrong, expression)
	var v T
	require.NoError(f.t, json.Unmarshal(value, &v), expression)
	return v
}

// foxPoll waits for an expression to have a value other than none, and returns it. A page
// that is on its way is asked again.
func foxPoll[T any](f *fox, expression string) T {
	f.t.Helper()
	for deadline := time.Now().Add(foxPatience); ; time.Sleep(20 * time.Millisecond) {
		var v T
		value, wrong := f.evaluate(expression)
		if wrong == "" && string(value) != "null" && string(value) != "false" && json.Unmarshal(value, &v) == nil {
			return v
		}
		require.True(f.t, time.Now().Before(deadline), "never happened: %s %s", expression, wrong)
	}
}

func (f *fox) until(expression string) { f.t.Helper(); foxPoll[bool](f, expression) }

// press clicks an element where it stands.
func (f *fox) press(element string) {
	f.t.Helper()
	at := foxPoll[[]float64](f, whereToPress(element))
	f.call("input.performActions", map[string]any{"context": f.page, "actions": []any{map[string]any{
		"type": "pointer", "id": "hand", "parameters": map[string]string{"pointerType": "mouse"},
		"actions": []any{
			map[string]any{"type": "pointerMove", "x": int(at[0]), "y": int(at[1])},
			map[string]any{"type": "pointerDown", "button": 0}, map[string]any{"type": "pointerUp", "button": 0},
		},
	}}}, nil)
}

// tap presses the control that shows the words, and counts.
func (f *fox) tap(count *int, words string) {
	f.t.Helper()
	f.press(controlThatShows(f.t, words))
	*count++
}
