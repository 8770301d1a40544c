package web

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"

	"arcdrift/agent/auth"
	"arcdrift/agent/gate"
	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// Authenticator returns the principal of a request from an address under a name.
type Authenticator interface {
	Authenticate(from net.IP, name, secret string) (auth.Principal, error)
	// Refresh returns the principal as the accounts now are, or why it is none any more.
	Refresh(auth.Principal) (auth.Principal, error)
	// Resume is for whoever signed in before, by the mark of its principal.
	Resume(from net.IP, name, mark string) (auth.Principal, error)
}

// routes are the paths of the server, each with the right it takes.
type routes struct {
	*http.ServeMux
	server *Server
	all    map[string]auth.Right // by pattern; "" for everybody
}

// open serves everybody.
func (m *routes) open(pattern string, h http.HandlerFunc) {
	m.all[pattern] = ""
	m.ServeMux.HandleFunc(pattern, h)
}

// to serves those who have the right, with what they may see.
func (m *routes) to(right auth.Right, pattern string, h handler) {
	m.all[pattern] = right
	m.ServeMux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		pass := passOf(r)
		if !pass.Role.May(right) {
			m.server.Log.Warn("an account tried what it may not", "user", pass.Name, "role", pass.Role, "from", r.RemoteAddr, "method", r.Method, "path", r.URL.Path)
			m.server.turnAway(w, r, http.StatusForbidden, "this account has no permission for that")
			return
		}
		h(m.server.seenBy(pass), w, r)
	})
}

// whole serves those who have the right and no limit: it is about all customers.
func (m *routes) whole(right auth.Right, pattern string, h handler) {
	m.to(right, pattern, func(s *Server, w http.ResponseWriter, r *http.Request) {
		if s.part != nil {
			s.turnAway(w, r, http.StatusForbidden, "this account is limited to some customers, and this is about all of them")
			return
		}
		h(s, w, r)
	})
}

// HandleFunc serves those who may read.
func (m *routes) HandleFunc(pattern string, h handler) {
	if !strings.HasPrefix(pattern, "GET ") {
		panic("web: " + pattern + " changes something: it takes more than the right to read")
	}
	m.to(auth.Read, pattern, h)
}

// passKey finds the pass in a request's context, connKey its connection.
type (
	passKey struct{}
	connKey struct{}
)

// passOf is what the request was let in as.
func passOf(r *http.Request) auth.Principal {
	p, _ := r.Context().Value(passKey{}).(auth.Principal)
	return p
}

// admit serves only principals that the authenticator accepts. Health, static files
// and signing in are open to all. What a principal may do is checked at the route
// and for each record.
func (s *Server) admit(m *routes) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := m.Handler(r); pattern != "" {
			if right, known := m.all[pattern]; known && right == "" {
				m.ServeHTTP(w, r)
				return
			}
		}
		name, _, _ := r.BasicAuth()
		pass, err := s.whoAsks(r)
		switch {
		case err == nil:
			if conn, ok := r.Context().Value(connKey{}).(*gate.Conn); ok {
				conn.Known()
			}
			w.Header().Add("Vary", "Cookie, Authorization") // what is kept for one is not another's
			s.orLost(m.ServeMux).ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), passKey{}, pass)))
			return
		case errors.Is(err, auth.ErrTooMany):
			w.Header().Set("Retry-After", "60")
			s.turnAway(w, r, http.StatusTooManyRequests, err.Error())
		case errors.Is(err, auth.ErrWho), errors.Is(err, auth.ErrWrong):
			// Programs learn how to authenticate; a browser shows the sign-in page and
			// must never open its own dialog.
			if r.Header.Get("Sec-Fetch-Mode") == "" && !wantsPage(r) {
				w.Header().Set("WWW-Authenticate", `Basic realm="arcdrift", charset="UTF-8"`)
			}
			s.turnAway(w, r, http.StatusUnauthorized, err.Error())
		default:
			plain(w, http.StatusInternalServerError, "the agent cannot read the accounts\n")
		}
		s.Log.Warn("a request was not let in", "user", name, "from", r.RemoteAddr, "method", r.Method, "path", r.URL.Path, "error", err)
	})
}

// wantsPage says whether a person will read the answer.
func wantsPage(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(r.URL.Path, "/api/")
}

// turnAway says to a program in a line, to a person on a page, why not.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, status int, why string) {
	if !wantsPage(r) {
		plain(w, status, why+"\n")
		return
	}
	to := "/log"
	if r.Method == http.MethodGet {
		to = r.URL.RequestURI()
	}
	v := turnedView{Title: "Not signed in", What: phrase.Sentence(why) + ".", Do: howToSignIn, To: to}
	switch status {
	case http.StatusForbidden:
		v.Title, v.Word, v.Again = "This account has no permission", "To the fleet", "/"
		v.Do = "Readers can view. Crews can also log. The bench can also log services and answer alerts. Managers can do everything. Ask a manager for an account with more rights. Nothing was saved."
		s.render(w, "turned", page{Title: v.Title, Field: true, Status: status, Body: v})
		return
	case http.StatusTooManyRequests:
		v.Title, v.Do = "Wait a minute", "Then sign in again."
	}
	s.askWho(w, status, v)
}

// cameFrom is the address a request came from, or nil. Of what a proxy hands on
// that is trusted it is the nearest one that is none; what another hands on did not
// come from this computer, although the proxy may be on it.
func (s *Server) cameFrom(r *http.Request) net.IP {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	at, parseErr := netip.ParseAddr(host)
	if err != nil || parseErr != nil {
		return nil
	}
	forwarded := r.Header.Values("X-Forwarded-For")
	switch {
	case s.proxy(at):
		hops := strings.Split(strings.Join(forwarded, ","), ",")
		for _, hop := range slices.Backward(hops) {
			if at, err = netip.ParseAddr(strings.TrimSpace(hop)); err != nil {
				return nil // unknown
			}
			if !s.proxy(at) {
				break
			}
		}
		if s.proxy(at) || at.Unmap().IsLoopback() {
			return nil
		}
	case at.Unmap().IsLoopback() && (len(forwarded) > 0 || r.Header.Get("Forwarded") != ""):
		return nil
	}
	return net.IP(at.Unmap().AsSlice())
}

// fromProxy says whether a trusted proxy hands the request on.
func (s *Server) fromProxy(r *http.Request) bool {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && s.proxy(at.Addr())
}

// proxy says whether the address is a trusted proxy's.
func (s *Server) proxy(at netip.Addr) bool {
	return slices.ContainsFunc(s.Proxies, func(p netip.Prefix) bool { return p.Contains(at.Unmap()) })
}

// barred is why the first of the records that the pass may not write may not be
// written, or nil.
func barred(p auth.Principal, offers []intake.Submission) *drift.Problem {
	for i := range offers {
		if o := &offers[i]; o.Problem == nil {
			if problem := p.Check(&o.Record); problem != nil {
				return problem
			}
		}
	}
	return nil
}

// offer offers the records as whoever the request was let in as, if that still
// holds: a body may have been half a minute on its way.
func (s *Server) offer(r *http.Request, offers []intake.Submission) ([]intake.Receipt, error) {
	pass, err := s.Authenticator.Refresh(passOf(r))
	if err != nil {
		return nil, err
	}
	for i := range offers {
		offers[i].By = pass
	}
	return s.Intake.Take(r.Context(), offers)
}
