package web

import (
	"compress/gzip"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// roster is an authenticator of a name for each role, each with its own name as secret, and of
// whoever is on this computer.
type roster struct{ broken error }

func (g roster) Authenticate(from net.IP, name, secret string) (auth.Principal, error) {
	roles := map[string]auth.Role{"van-4": auth.Device, "office": auth.Reader, "crew": auth.Crew, "bench": auth.Bench, "lead": auth.Manager}
	switch {
	case g.broken != nil:
		return auth.Principal{}, g.broken
	case name == "" && from.IsLoopback():
		return auth.Principal{Role: auth.Manager}, nil
	case name == "":
		return auth.Principal{}, auth.ErrWho
	case secret != name || roles[name] == "":
		return auth.Principal{}, auth.ErrWrong
	}
	return auth.Principal{Name: name, Role: roles[name], Machines: auth.Machines{"K-07"}, Forwards: name == "van-4"}, nil
}

func (roster) Refresh(p auth.Principal) (auth.Principal, error) { return p, nil }

func (g roster) Resume(from net.IP, name, mark string) (auth.Principal, error) {
	if mark != (auth.Principal{}).Mark() {
		return auth.Principal{}, auth.ErrGone
	}
	return g.Authenticate(from, name, name)
}

// asAccount sends a request to a server with that authenticator, as if from another computer.
func asAccount(t *testing.T, f *fake, g Authenticator, name string, r *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	s := openServer(t, f)
	s.Authenticator = g
	r.Host = "localhost"
	if name != "" {
		r.SetBasicAuth(name, name)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestRolesAtThePages(t *testing.T) {
	for _, c := range []struct {
		method, path                                string
		nobody, device, reader, crew, bench, manage int
	}{
		{"GET", "/healthz", 200, 200, 200, 200, 200, 200},
		{"GET", "/readyz", 200, 200, 200, 200, 200, 200},
		{"GET", "/static/style.css", 200, 200, 200, 200, 200, 200},
		{"GET", "/", 401, 403, 200, 200, 200, 200},
		{"GET", "/machines/K-07", 401, 403, 200, 200, 200, 200},
		{"GET", "/api/v1/machines", 401, 403, 200, 200, 200, 200},
		{"GET", "/refused", 401, 403, 200, 200, 200, 200},
		{"GET", "/log", 401, 403, 200, 200, 200, 200},
		{"POST", "/api/v1/records", 401, 201, 403, 201, 201, 201},
		{"POST", "/api/v1/refused", 401, 422, 403, 403, 403, 422},
		{"POST", "/api/v1/people", 401, 422, 403, 403, 403, 403},
		{"POST", "/api/v1/people/forget", 401, 403, 403, 403, 403, 400},
		{"POST", "/api/v1/people", 401, 422, 403, 403, 403, 403},
		{"POST", "/api/v1/people/forget", 401, 403, 403, 403, 403, 400},
		{"POST", "/log", 401, 403, 403, 400, 400, 400},
		{"POST", "/correct", 401, 403, 403, 404, 404, 404},
		{"POST", "/service", 401, 403, 403, 403, 400, 400},
		{"POST", "/alerts", 401, 403, 403, 403, 400, 400},
		{"GET", "/api/v1/records", 401, 403, 403, 403, 403, 200},
		{"GET", "/api/v1/backup", 401, 403, 403, 403, 403, 200},
		{"POST", "/healthz", 401, 405, 405, 405, 405, 405},
		{"POST", "/static/style.css", 401, 405, 405, 405, 405, 405},
		{"GET", "/static/../api/v1/machines", 401, 307, 307, 307, 307, 307},
	} {
		for name, want := range map[string]int{"": c.nobody, "van-4": c.device, "office": c.reader, "crew": c.crew, "bench": c.bench, "lead": c.manage} {
			var body string
			if c.method == "POST" {
				body = good
			}
			w := asAccount(t, yard(), roster{}, name, httptest.NewRequest(c.method, c.path, strings.NewReader(body)))
			assert.Equal(t, want, w.Code, "%s %s as %q", c.method, c.path, name)
			assert.Equal(t, want == 401, w.Header().Get("WWW-Authenticate") != "", "%s %s", c.method, c.path)
		}
	}
}

// Every route there is, asked by every role and by strangers in many ways: none is
// answered to a role that the table of rights does not name.
func TestEveryRouteKeepsToTheRights(t *testing.T) {
	s := openServer(t, yard())
	s.Authenticator = roster{}
	s.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})
	all, handler := s.Rights(), s.Handler()
	require.Greater(t, len(all), 30)
	roles := map[string]auth.Role{"": "", "mallory": "", "van-4": auth.Device, "office": auth.Reader, "crew": auth.Crew, "bench": auth.Bench, "lead": auth.Manager}
	tries, through := 0, 0
	ask := func(pattern, name, accept, from, way string) int {
		method, path, _ := strings.Cut(pattern, " ")
		path = strings.NewReplacer("{$}", "", "{id}", "K-07", "{token}", "x").Replace(path)
		r := httptest.NewRequest(method, path+way, strings.NewReader("{}"))
		r.Host, r.RemoteAddr = "localhost", from
		r.Header.Set("X-Forwarded-For", "198.51.100.1")
		r.Header.Set("Accept", accept)
		if name != "" {
			r.SetBasicAuth(name, name)
		}
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		return w.Code
	}
	for pattern, right := range all {
		for name, role := range roles {
			for _, accept := range []string{"", "text/html", "application/json"} {
				for _, from := range []string{"192.0.2.7:1", "127.0.0.1:1", "[2001:db8::1]:1"} {
					for _, way := range []string{"", "?via=forward", "?as_of=2026-03-01T12:00:00Z&to=/"} {
						code := ask(pattern, name, accept, from, way)
						if right == "" && strings.Contains(pattern, "sign-in") {
							continue // it says who is wanted
						}
						if right == "" || role.May(right) {
							assert.NotEqual(t, http.StatusUnauthorized, code, "%s as %q", pattern, name)
							continue
						}
						tries++
						if code != http.StatusUnauthorized && code != http.StatusForbidden {
							through++
							t.Errorf("%s%s as %q: %d", pattern, way, name, code)
						}
					}
				}
			}
		}
	}
	t.Logf("%d tries of %d routes, %d through", tries, len(all), through)
	assert.GreaterOrEqual(t, tries, 2000)
}

// nobody is a People that the records do not name.
type nobody struct{}

func (nobody) Forget(string) (string, error) { return "", nil }
func (nobody) Learn([]wire.Person) error     { return nil }

// openServer is a server of f that can export, too.
func openServer(t *testing.T, f *fake) *Server {
	s := serverFor(t, f)
	s.Export = func(io.Writer, string, drift.Part) error { return nil }
	s.Backup = func(io.Writer) error { return nil }
	s.People = nobody{}
	s.People = nobody{}
	return s
}

func TestNotLetInChangesNothing(t *testing.T) {
	for _, name := range []string{"", "office", "mallory"} {
		f := yard()
		asAccount(t, f, roster{}, name, httptest.NewRequest("POST", "/api/v1/records", strings.NewReader(good)))
		assert.Empty(t, f.taken, name)
	}
}

func TestADeviceWritesItsMachinesOnly(t *testing.T) {
	own, other := `{"type":"usage","machine":"K-07","arc_count":1}`, `{"type":"usage","machine":"K-08","arc_count":1}`
	f := yard()
	w := asAccount(t, f, roster{}, "van-4", httptest.NewRequest("POST", "/api/v1/records", strings.NewReader(own+"\n"+other+"\n")))
	assert.Equal(t, http.StatusCreated, w.Code)
	require.Len(t, f.taken, 2, "the other is offered too, to be kept among the refused")
	assert.Nil(t, f.taken[0].Problem)
	assert.Equal(t, "machine", f.taken[1].Problem.Field)
	assert.Contains(t, w.Body.String(), "is not one that van-4 may write for")

	f = yard()
	w = asAccount(t, f, roster{}, "van-4", httptest.NewRequest("POST", "/api/v1/records?via=forward", strings.NewReader(own+"\n"+other+"\n")))
	assert.Equal(t, http.StatusForbidden, w.Code, "who forwards must not take a refusal for a receipt")
	assert.Empty(t, f.taken)
	refusal := `{"type":"refused","machine":"K-08","via":"mqtt","reason":"is cut short","size":1,"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z","times":1}`
	w = asAccount(t, f, roster{}, "van-4", httptest.NewRequest("POST", "/api/v1/refused", strings.NewReader(refusal)))
	assert.Equal(t, http.StatusForbidden, w.Code)
	assert.Empty(t, f.taken)
}

func TestADeviceAsksAboutItsMachinesOnly(t *testing.T) {
	for machine, want := range map[string]int{"K-07": 200, "K-11": 403, "K-070": 403, "nobody": 403, "": 400} {
		f := yard()
		w := asAccount(t, f, roster{}, "van-4", httptest.NewRequest("GET", "/api/v1/site-check?temperature_c=4&humidity_pct=80&altitude_m=900&machine="+machine, nil))
		assert.Equal(t, want, w.Code, "%q: %s", machine, w.Body)
		assert.Equal(t, want == 200, len(f.asked) > 0)
	}
	f := yard()
	w := asAccount(t, f, roster{}, "office", httptest.NewRequest("GET", "/api/v1/site-check?temperature_c=4&machine=K-11", nil))
	assert.Equal(t, 200, w.Code)
}

func TestArrivalIsTheHubsToBelieve(t *testing.T) {
	const line = `{"type":"usage","machine":"K-07","arc_count":1,"received":"2026-03-01T08:00:00Z"}` + "\n"
	f := yard()
	asAccount(t, f, roster{}, "van-4", httptest.NewRequest("POST", "/api/v1/records", strings.NewReader(line)))
	asAccount(t, f, roster{}, "van-4", httptest.NewRequest("POST", "/api/v1/records?via=forward", strings.NewReader(line)))
	require.Len(t, f.taken, 2)
	assert.True(t, f.taken[0].Received.IsZero())
	assert.Equal(t, "2026-03-01T08:00:00Z", f.taken[1].Received.Format("2006-01-02T15:04:05Z"))
	assert.Equal(t, []string{"http", "forward"}, []string{f.taken[0].Via, f.taken[1].Via})
}

func TestWhereARequestCameFrom(t *testing.T) {
	s := serverFor(t, yard())
	from := func(remote string, headers ...string) string {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = remote
		for i := 0; i < len(headers); i += 2 {
			r.Header.Add(headers[i], headers[i+1])
		}
		if ip := s.cameFrom(r); ip != nil {
			return ip.String()
		}
		return ""
	}
	const chain = "X-Forwarded-For"
	for _, c := range []struct{ is, want string }{
		{from("127.0.0.1:1"), "127.0.0.1"}, {from("[::1]:1"), "::1"}, {from("192.0.2.7:1"), "192.0.2.7"}, {from("@"), ""}, {from(""), ""},
		{from("127.0.0.1:1", chain, "192.0.2.7"), ""}, {from("127.0.0.1:1", "Forwarded", "for=192.0.2.7"), ""},
		{from("192.0.2.7:1", chain, "127.0.0.1"), "192.0.2.7"},
	} {
		assert.Equal(t, c.want, c.is)
	}
	s.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32"), netip.MustParsePrefix("10.0.0.0/8")}
	for _, c := range []struct{ is, want string }{
		{from("127.0.0.1:1", chain, "192.0.2.7"), "192.0.2.7"},
		{from("10.1.1.1:1", chain, "192.0.2.9, 192.0.2.7"), "192.0.2.7"},
		{from("10.1.1.1:1", chain, "192.0.2.7, 10.2.2.2"), "192.0.2.7"},
		{from("10.1.1.1:1", chain, "192.0.2.9", chain, "192.0.2.7"), "192.0.2.7"},
		{from("127.0.0.1:1", chain, "127.0.0.1"), ""}, {from("127.0.0.1:1", chain, "::1"), ""}, {from("127.0.0.1:1", chain, "rubbish"), ""},
		{from("127.0.0.1:1"), ""}, {from("10.1.1.1:1"), ""}, {from("192.0.2.7:1", chain, "127.0.0.1"), "192.0.2.7"},
		{from("[::ffff:10.1.1.1]:1", chain, "2001:db8::1"), "2001:db8::1"},
	} {
		assert.Equal(t, c.want, c.is)
	}
}

func TestAuthenticatorErrorRevealsNothing(t *testing.T) {
	for trouble, status := range map[error]int{auth.ErrTooMany: 429, errors.New("the accounts in /secret/place cannot be read"): 500} {
		w := asAccount(t, yard(), roster{trouble}, "bench", httptest.NewRequest("GET", "/", nil))
		assert.Equal(t, status, w.Code)
		assert.NotContains(t, w.Body.String(), "/secret")
	}
}

func TestPressedUploads(t *testing.T) {
	bomb := httptest.NewRequest("POST", "/api/v1/records?via=forward", strings.NewReader(gzipped(t, strings.Repeat(" ", 64<<20))))
	bomb.Header.Set("Content-Encoding", "gzip")
	f := yard()
	assert.Equal(t, http.StatusRequestEntityTooLarge, ask(t, f, bomb).Code, "a small body that would be a large one")
	cut := gzipped(t, good)
	for _, body := range []string{"", "no gzip", cut[:len(cut)-4]} {
		r := httptest.NewRequest("POST", "/api/v1/records?via=forward", strings.NewReader(body))
		r.Header.Set("Content-Encoding", "gzip")
		assert.Equal(t, http.StatusBadRequest, ask(t, f, r).Code, "%q", body)
	}
	assert.Empty(t, f.taken)
	whole := httptest.NewRequest("POST", "/api/v1/records", strings.NewReader(cut))
	whole.Header.Set("Content-Encoding", "gzip")
	assert.Equal(t, http.StatusCreated, ask(t, f, whole).Code)
}

// gzipped is the text, pressed.
func gzipped(t *testing.T, text string) string {
	t.Helper()
	var out strings.Builder
	z := gzip.NewWriter(&out)
	_, err := z.Write([]byte(text))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return out.String()
}

func TestFindingsAreShownToReadersOnly(t *testing.T) {
	s := serverFor(t, yard())
	s.Findings = func() []string { return []string{"The store /var/k.db is <gone>."} }
	show := func(path string) string {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "localhost"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w.Body.String()
	}
	assert.Equal(t, "ready; findings about the store: 1, see /refused\n", show("/readyz"))
	assert.Contains(t, show("/refused"), "The store /var/k.db is &lt;gone&gt;.")
}
