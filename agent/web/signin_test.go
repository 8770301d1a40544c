package web

import (
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

// lock lets in whoever has the key, from wherever.
type lock struct{ key, signed atomic.Pointer[string] }

func (l *lock) Authenticate(_ net.IP, name, secret string) (auth.Principal, error) {
	switch {
	case name == "":
		return auth.Principal{}, auth.ErrWho
	case secret != *l.key.Load():
		return auth.Principal{}, auth.ErrWrong
	}
	l.signed.Store(&secret)
	return auth.Principal{Name: name, Role: auth.Manager}, nil
}

func (*lock) Refresh(p auth.Principal) (auth.Principal, error) { return p, nil }

// Resume knows who signed in by the key that is in force.
func (l *lock) Resume(_ net.IP, name, _ string) (auth.Principal, error) {
	if signed := l.signed.Load(); signed == nil || *signed != *l.key.Load() {
		return auth.Principal{}, auth.ErrGone
	}
	return auth.Principal{Name: name, Role: auth.Manager}, nil
}

// signIn fills in the form on the page and sends it.
func (b *tab) signIn(secret string) {
	look[bool](b, `document.querySelector("input[name=name]").value = "bench", document.querySelector("input[name=secret]").value = "`+secret+`", document.querySelector("form[action='/sign-in']").requestSubmit(), true`)
}

// A phone that the agent does not know any more goes on logging, says why
// nothing is sent and leads to where one signs in.
func TestPhoneSignsIn(t *testing.T) {
	f := yard()
	oneKey := &lock{}
	first, second := "first", "second"
	oneKey.key.Store(&first)
	server := serverFor(t, f)
	server.Authenticator = oneKey
	b := openOn(t, server.Handler())
	b.fingers()
	b.show("/log?choose=1")
	assert.Equal(t, "Not signed in", look[string](b, `document.querySelector("h1").textContent`))
	b.signIn("wrong")
	b.until(`document.querySelector(".errors")?.textContent.includes("The name or the secret is wrong")`)
	b.signIn(first)
	b.until(`location.pathname === "/log" && !!document.querySelector("form[data-send]")`)
	b.served()
	b.show("/morning")
	assert.Equal(t, "Morning list", look[string](b, `document.querySelector("h1").textContent`), "the worker in between keeps the sign-in")
	assert.NotContains(t, look[string](b, `document.cookie`), "arcdrift", "no script reads it")

	oneKey.key.Store(&second) // another secret: whoever was signed in by the first is not
	b.show("/log?machine=K-07")
	taps := 0
	for _, words := range []string{"Passed", "Save", "Save now"} {
		b.tap(&taps, words)
	}
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)
	b.until(`document.getElementById("waiting").textContent.includes("Nothing is sent until you sign in")`)
	assert.Empty(t, f.offers())
	assert.True(t, strings.HasPrefix(look[string](b, `document.querySelector("#waiting a").getAttribute("href")`), "/sign-in?to="))
	b.show("/morning") // a page that needs the agent leads there by itself
	b.until(`location.pathname === "/sign-in"`)
	assert.Equal(t, "Sign in", look[string](b, `document.querySelector("h1").textContent`))
	b.until(`document.getElementById("waiting").textContent.includes("1 waiting to be sent.")`)

	b.signIn(second)
	b.until(`location.pathname === "/morning"`)
	assert.Equal(t, "Morning list", look[string](b, `document.querySelector("h1").textContent`))
	b.until(`import("/static/queue.js").then(q => q.waiting()).then(w => w.length === 0)`)
	assert.Len(t, f.offers(), 1)
}

func TestADeniedRequestSaysWhatToDo(t *testing.T) {
	page := func(name, method, path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, nil)
		r.Header.Set("Accept", "text/html,*/*")
		r.Header.Set("Sec-Fetch-Mode", "navigate")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		r.RemoteAddr = "192.0.2.7:1234"
		return asAccount(t, yard(), roster{}, name, r)
	}
	w := page("", "GET", "/machines/K-07?axis=date")
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Empty(t, w.Header().Get("WWW-Authenticate"), "the browser does not ask by itself")
	checkHTML(t, w.Body.String())
	assert.Contains(t, w.Body.String(), `name="to" value="/machines/K-07?axis=date"`)
	w = page("office", "POST", "/log")
	assert.Equal(t, http.StatusForbidden, w.Code)
	checkHTML(t, w.Body.String())
	assert.Contains(t, text(t, w), "Readers can view.")

	r := httptest.NewRequest("GET", "/api/v1/machines", nil)
	r.Header.Set("Sec-Fetch-Mode", "cors")
	r.RemoteAddr = "192.0.2.7:1234"
	w = asAccount(t, yard(), roster{}, "", r)
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Empty(t, w.Header().Get("WWW-Authenticate"))
	assert.Equal(t, "a name and its secret are required\n", w.Body.String())
}

// signsIn sends the form as a browser does and returns the answer and the cookie.
func signsIn(t *testing.T, s *Server, name, secret string) (*httptest.ResponseRecorder, *http.Cookie) {
	t.Helper()
	r := httptest.NewRequest("POST", "/sign-in", strings.NewReader(url.Values{"name": {name}, "secret": {secret}, "to": {"/morning"}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Host = "localhost"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		return w, c
	}
	return w, nil
}

// with asks for a page with a cookie.
func with(s *Server, cookie *http.Cookie, method, path string) int {
	r := httptest.NewRequest(method, path, nil)
	r.Host = "localhost"
	r.AddCookie(cookie)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w.Code
}

// A sign-in is as good as the account behind it, to the moment.
func TestSignInEndsWithItsAccount(t *testing.T) {
	dir := t.TempDir()
	keys, err := auth.Open(filepath.Join(dir, "access"))
	require.NoError(t, err)
	secret, err := keys.Add(auth.Account{Name: "ines", Role: auth.Crew}, noon)
	require.NoError(t, err)
	_, err = keys.Add(auth.Account{Name: "lead", Role: auth.Manager}, noon)
	require.NoError(t, err)
	s := openServer(t, yard())
	s.Authenticator = auth.NewAuthenticator(keys, auth.Policy{}, s.Now)

	w, cookie := signsIn(t, s, "ines", "guess")
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Nil(t, cookie)
	w, cookie = signsIn(t, s, "ines", " "+secret+"\n")
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/morning", w.Header().Get("Location"))
	require.NotNil(t, cookie)
	assert.True(t, cookie.Secure && cookie.HttpOnly && cookie.SameSite == http.SameSiteLaxMode && cookie.Path == "/" && cookie.Domain == "")
	assert.True(t, strings.HasPrefix(cookie.Name, "__Host-"), "no other host sets it")
	assert.Equal(t, 200, with(s, cookie, "GET", "/morning"))
	assert.Equal(t, 403, with(s, cookie, "GET", "/api/v1/backup"), "as its role allows")
	assert.Equal(t, 401, with(s, &http.Cookie{Name: cookie.Name, Value: "guess"}, "GET", "/morning"))

	w, again := signsIn(t, s, "ines", secret)
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.NotEqual(t, cookie.Value, again.Value)
	assert.Equal(t, http.StatusSeeOther, with(s, again, "POST", "/sign-out"))
	assert.Equal(t, 401, with(s, again, "GET", "/morning"), "signed out")
	assert.Equal(t, 200, with(s, cookie, "GET", "/morning"), "the other browser is not")
	require.NoError(t, keys.Remove("ines"))
	for range 9 {
		assert.Equal(t, 401, with(s, cookie, "GET", "/morning"), "removed")
	}
	_, err = keys.Add(auth.Account{Name: "ines", Role: auth.Crew}, noon)
	require.NoError(t, err)
	assert.Equal(t, 401, with(s, cookie, "GET", "/morning"), "another of the same name")
}

// half is a body whose account is removed when half of it has come.
type half struct {
	strings.Reader
	then func()
}

func (h *half) Read(b []byte) (int, error) {
	if h.then != nil {
		h.then()
		h.then = nil
	}
	return h.Reader.Read(b)
}

// What is still on its way when its account is removed is not taken.
func TestRemovedInTheMiddleOfAnUpload(t *testing.T) {
	f := yard()
	s := openServer(t, f)
	s.Authenticator = auth.NewAuthenticator(s.Keys, auth.Policy{}, s.Now)
	for range 9 {
		secret, err := s.Keys.Add(auth.Account{Name: "van-4", Role: auth.Device, Machines: auth.Machines{"*"}}, noon)
		require.NoError(t, err)
		r := httptest.NewRequest("POST", "/api/v1/records", &half{*strings.NewReader(good), func() { require.NoError(t, s.Keys.Remove("van-4")) }})
		r.Host = "localhost"
		r.SetBasicAuth("van-4", secret)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		assert.Equal(t, http.StatusServiceUnavailable, w.Code, "to be sent again, by somebody")
		assert.Empty(t, f.taken)
	}
}

// Sign-ins outlast the agent, not their time, and hold no token.
func TestSignInsAreKept(t *testing.T) {
	path, at := filepath.Join(t.TempDir(), "sessions"), noon
	clock := func() time.Time { return at }
	kept, err := auth.OpenSessions(path, clock)
	require.NoError(t, err)
	s := openServer(t, yard())
	s.Authenticator = roster{}
	config := s.Config
	config.Sessions, config.Now = kept, time.Now // the library's clock is the wall's
	at = time.Now()
	first, err := New(config)
	require.NoError(t, err)
	_, cookie := signsIn(t, first, "crew", "crew")
	require.NotNil(t, cookie)
	config.Sessions, err = auth.OpenSessions(path, clock)
	require.NoError(t, err)
	second, err := New(config)
	require.NoError(t, err)
	assert.Equal(t, 200, with(second, cookie, "GET", "/refused"))
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.NotContains(t, string(raw), cookie.Value)
	at = at.AddDate(0, 0, sessionDays+1)
	assert.Equal(t, 401, with(second, cookie, "GET", "/refused"))
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
