package web

import (
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/fetch"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

// lock lets in whoever has the key, from wherever.
type lock struct{ key atomic.Pointer[string] }

func (l *lock) Admit(_ net.IP, name, secret string) (auth.Pass, error) {
	switch {
	case name == "":
		return auth.Pass{}, auth.ErrWho
	case secret != *l.key.Load():
		return auth.Pass{}, auth.ErrWrong
	}
	return auth.Pass{Name: name, Role: auth.Manager}, nil
}

// typing answers what a browser asks of a person: with bench and the secret, or
// without one by cancelling.
func (b *tab) typing() *atomic.Pointer[string] {
	secret := &atomic.Pointer[string]{}
	require.NoError(b.t, chromedp.Listen(b.ctx, func(ev any) {
		switch ev := ev.(type) {
		case *fetch.EventRequestPaused:
			go func() {
				_, _ = chromedp.Call(b.ctx, fetch.ContinueRequest, fetch.ContinueRequestParams{RequestID: ev.RequestID})
			}()
		case *fetch.EventAuthRequired:
			b.prompts.Add(1)
			answer := fetch.AuthChallengeResponse{Response: "CancelAuth"}
			if s := secret.Load(); s != nil {
				answer = fetch.AuthChallengeResponse{Response: "ProvideCredentials", Username: "bench", Password: *s}
			}
			go func() {
				_, _ = chromedp.Call(b.ctx, fetch.ContinueWithAuth, fetch.ContinueWithAuthParams{RequestID: ev.RequestID, AuthChallengeResponse: &answer})
			}()
		}
	}))
	_, err := chromedp.Call(b.ctx, fetch.Enable, fetch.EnableParams{HandleAuthRequests: new(true)})
	require.NoError(b.t, err)
	return secret
}

// A phone that the agent does not know any more goes on logging, says why
// nothing is sent and leads to where the browser asks for name and secret.
func TestPhoneSignsIn(t *testing.T) {
	f := yard()
	guard := &lock{}
	first, second := "first", "second"
	guard.key.Store(&first)
	server := serverFor(t, f)
	server.Guard = guard
	b := openOn(t, server.Handler())
	b.fingers()
	types := b.typing()
	types.Store(&first)
	b.show("/log?choose=1")
	b.served()
	assert.Equal(t, int64(1), b.prompts.Load(), "asked once")
	b.show("/morning")
	assert.Equal(t, "Morning list", look[string](b, `document.querySelector("h1").textContent`), "the worker in between keeps the sign-in")

	guard.key.Store(&second)
	types.Store(nil)
	b.show("/log?machine=K-07")
	taps := 0
	for _, words := range []string{"Passed", "Save", "Save now (10 s)"} {
		b.tap(&taps, words)
	}
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to send.")`)
	b.until(`document.getElementById("waiting").textContent.includes("nothing is sent until you sign in")`)
	assert.Empty(t, f.offers())
	assert.True(t, strings.HasPrefix(look[string](b, `document.querySelector("#waiting a").getAttribute("href")`), "/sign-in?to="))
	assert.Equal(t, int64(1), b.prompts.Load(), "no window in the middle of work")
	b.show("/morning") // a page that needs the agent leads there by itself
	b.until(`location.pathname === "/sign-in"`)
	assert.Equal(t, "Not signed in", look[string](b, `document.querySelector("h1").textContent`))
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to send.")`)

	types.Store(&second)
	b.tap(&taps, "Sign in")
	b.until(`location.pathname === "/morning"`)
	assert.Equal(t, "Morning list", look[string](b, `document.querySelector("h1").textContent`))
	b.until(`import("/static/queue.js").then(q => q.waiting()).then(w => w.length === 0)`)
	assert.Len(t, f.offers(), 1)
}

func TestWhoIsTurnedAwayIsToldWhatToDo(t *testing.T) {
	page := func(name, method, path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, nil)
		r.Header.Set("Accept", "text/html,*/*")
		r.Header.Set("Sec-Fetch-Mode", "navigate")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		r.RemoteAddr = "192.0.2.7:1234"
		return guarded(t, yard(), roster{}, name, r)
	}
	w := page("", "GET", "/machines/K-07?axis=date")
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.NotEmpty(t, w.Header().Get("WWW-Authenticate"), "the browser asks")
	checkHTML(t, w.Body.String())
	assert.Contains(t, w.Body.String(), `href="/sign-in?to=%2Fmachines%2FK-07%3Faxis%3Ddate"`)
	w = page("office", "POST", "/log")
	assert.Equal(t, http.StatusForbidden, w.Code)
	checkHTML(t, w.Body.String())
	assert.Contains(t, text(t, w), "Readers look, crews log")

	// A script is told, but no window opens in the middle of work.
	r := httptest.NewRequest("GET", "/api/v1/machines", nil)
	r.Header.Set("Sec-Fetch-Mode", "cors")
	r.RemoteAddr = "192.0.2.7:1234"
	w = guarded(t, yard(), roster{}, "", r)
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Empty(t, w.Header().Get("WWW-Authenticate"))
	assert.Equal(t, "a name and its secret are needed\n", w.Body.String())
}

func TestSignInLeadsNowhereElse(t *testing.T) {
	for to, want := range map[string]string{
		"/moved?machine=K-07": "/moved?machine=K-07", "": "/log", "//evil.example": "/log", "https://evil.example/": "/log", `/\evil.example`: "/log", "log": "/log",
	} {
		r := httptest.NewRequest("GET", "/sign-in", nil)
		q := r.URL.Query()
		q.Set("to", to)
		r.URL.RawQuery = q.Encode()
		w := ask(t, yard(), r)
		require.Equal(t, http.StatusSeeOther, w.Code)
		assert.Equal(t, want, w.Header().Get("Location"), to)
	}
}
