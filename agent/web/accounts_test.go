package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

// office is a server with real accounts, and who asks it.
type office struct {
	*Server
	t      *testing.T
	name   string
	secret string
}

func newOffice(t *testing.T) *office {
	s := openServer(t, yard())
	s.Authenticator = auth.NewAuthenticator(s.Keys, auth.Policy{}, s.Now)
	s.Fingerprint = func() string { return "AB CD" }
	return &office{Server: s, t: t}
}

// sends asks with a form, or for a page without one.
func (o *office) sends(path string, form url.Values) *httptest.ResponseRecorder {
	o.t.Helper()
	method, body := "GET", ""
	if form != nil {
		method, body = "POST", form.Encode()
	}
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host, r.RemoteAddr = "localhost", "127.0.0.1:1"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "text/html")
	if o.name != "" {
		r.SetBasicAuth(o.name, o.secret)
	}
	w := httptest.NewRecorder()
	o.Handler().ServeHTTP(w, r)
	return w
}

var (
	inviteLink = regexp.MustCompile(`https://localhost(/invite/[A-Z2-7]{26})`)
	aSecret    = regexp.MustCompile(`<code>([A-Z2-7]{26})</code>`)
)

// From none to a manager, a crew's phone and a device, and one of them lost.
func TestAccountsOnThePages(t *testing.T) {
	o := newOffice(t)
	w := o.sends("/accounts", url.Values{"do": {"invite"}, "name": {"ines"}, "role": {"crew"}})
	assert.Equal(t, http.StatusBadRequest, w.Code)
	assert.Contains(t, text(t, w), "The first account must have the role manager")
	w = o.sends("/accounts", url.Values{"do": {"invite"}, "name": {"lead"}, "role": {"manager"}})
	require.Equal(t, http.StatusOK, w.Code)
	checkHTML(t, strings.ReplaceAll(w.Body.String(), "https://", ""))
	assert.Contains(t, w.Body.String(), "works on this computer only")
	assert.Contains(t, w.Body.String(), "AB CD", "the page shows how the phone recognises the agent")
	link := inviteLink.FindStringSubmatch(w.Body.String())
	require.Len(t, link, 2)
	assert.Equal(t, 401, o.sends("/accounts", nil).Code, "from now on this computer needs an account")

	for range 3 {
		w = o.sends(link[1], nil)
		require.Equal(t, 200, w.Code, "looking does not use it up")
		checkHTML(t, w.Body.String())
	}
	w = o.sends(link[1], url.Values{})
	require.Equal(t, 200, w.Code)
	checkHTML(t, w.Body.String())
	require.Len(t, w.Result().Cookies(), 1)
	assert.Equal(t, 200, with(o.Server, w.Result().Cookies()[0], "GET", "/accounts"), "it is signed in")
	o.name, o.secret = "lead", aSecret.FindStringSubmatch(w.Body.String())[1]
	assert.Equal(t, http.StatusNotFound, o.sends(link[1], url.Values{}).Code, "once")
	assert.Equal(t, http.StatusNotFound, o.sends("/invite/guess", nil).Code)

	w = o.sends("/accounts", url.Values{"do": {"device"}, "name": {"van-4"}, "machines": {"K-07, L-*"}, "forwards": {"true"}})
	device := aSecret.FindStringSubmatch(w.Body.String())[1]
	a, _, err := o.Keys.Find("van-4")
	require.NoError(t, err)
	assert.Equal(t, auth.Machines{"K-07", "L-*"}, a.Machines)
	w = o.sends("/accounts", url.Values{"do": {"rotate"}, "name": {"van-4"}})
	fresh := aSecret.FindStringSubmatch(w.Body.String())[1]
	for _, secret := range []string{device, fresh} {
		_, err = o.Authenticator.Authenticate(nil, "van-4", secret)
		require.NoError(t, err)
	}
	shown := text(t, o.sends("/accounts", nil))
	assert.Contains(t, shown, "device of K-07, L-*")
	assert.Contains(t, shown, "last used 2 Mar 2026, 12:00")
	assert.Contains(t, shown, "the old secret is valid until 3 Mar 2026, 12:00")
	for _, wrong := range []url.Values{
		{"do": {"invite"}, "name": {"x"}, "role": {"owner"}}, {"do": {"invite"}, "name": {"../x"}, "role": {"crew"}}, {"do": {"device"}, "name": {"d"}},
		{"do": {"remove"}, "name": {"lead"}}, {"do": {"remove"}, "name": {"nobody"}}, {"do": {"elope"}},
	} {
		w = o.sends("/accounts", wrong)
		assert.Equal(t, http.StatusBadRequest, w.Code, "%v", wrong)
		checkHTML(t, w.Body.String())
	}
	require.Equal(t, 200, o.sends("/accounts", url.Values{"do": {"remove"}, "name": {"van-4"}}).Code)
	_, err = o.Authenticator.Authenticate(nil, "van-4", fresh)
	require.ErrorIs(t, err, auth.ErrWrong)
}

// The code of an invitation has its finders, its quiet zone and a size of ISO/IEC
// 18004 (17 + 4 × version modules).
func TestCodeHasItsCorners(t *testing.T) {
	code, err := codeOf("https://yard.example:8470/invite/ABCDEFGHIJKLMNOPQRSTUVWXYZ")
	require.NoError(t, err)
	path := string(code.Path)
	assert.Contains(t, path, "M4 4h7v1h-7z", "the upper left finder, behind four quiet modules")
	assert.Contains(t, path, "h7v1h-7z")
	assert.NotContains(t, path, "M0 ")
	assert.Zero(t, (code.Size-8-17)%4, "a size of the standard")
}
