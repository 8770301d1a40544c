package web

import (
	"context"
	"errors"
	"net"
	"net/http"
	"slices"
	"strings"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/drift"
)

// Guard says as what somebody is let in who comes from an address under a name.
type Guard interface {
	Admit(from net.IP, name, secret string) (auth.Pass, error)
}

// devicePaths are what a device needs: to hand in records, which are then held
// to its machines, and to ask.
var devicePaths = []string{"POST /api/v1/records", "POST /api/v1/refused", "GET /api/v1/site-check"}

// passKey finds the pass in a request's context.
type passKey struct{}

// passOf is what the request was let in as.
func passOf(r *http.Request) auth.Pass {
	p, _ := r.Context().Value(passKey{}).(auth.Pass)
	return p
}

// admit lets nothing in but what the guard and the role allow. Health and the
// looks of the pages are for everybody.
func (s *Server) admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reading := r.Method == http.MethodGet || r.Method == http.MethodHead
		if reading && (r.URL.Path == "/healthz" || r.URL.Path == "/readyz" || strings.HasPrefix(r.URL.Path, "/static/")) {
			next.ServeHTTP(w, r)
			return
		}
		name, secret, _ := r.BasicAuth()
		pass, err := s.Guard.Admit(cameFrom(r), name, secret)
		allowed := pass.Role == auth.Writer || pass.Role == auth.Reader && reading ||
			pass.Role == auth.Device && slices.Contains(devicePaths, r.Method+" "+r.URL.Path)
		switch {
		case err == nil && allowed:
			next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), passKey{}, pass)))
			return
		case err == nil:
			err = errors.New("the account may not do that")
			plain(w, http.StatusForbidden, "this account may not do that\n")
		case errors.Is(err, auth.ErrTooMany):
			w.Header().Set("Retry-After", "60")
			plain(w, http.StatusTooManyRequests, err.Error()+"\n")
		case errors.Is(err, auth.ErrWho), errors.Is(err, auth.ErrWrong):
			w.Header().Set("WWW-Authenticate", `Basic realm="arcdrift", charset="UTF-8"`)
			plain(w, http.StatusUnauthorized, err.Error()+"\n")
		default:
			plain(w, http.StatusInternalServerError, "the accounts cannot be read\n")
		}
		s.Log.Warn("a request was not let in", "user", name, "from", r.RemoteAddr, "method", r.Method, "path", r.URL.Path, "err", err)
	})
}

// cameFrom is the address a request came from, or nil. What a proxy hands on
// did not come from this computer, although the proxy may be on it.
func cameFrom(r *http.Request) net.IP {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	ip := net.ParseIP(host)
	handedOn := r.Header.Get("X-Forwarded-For") != "" || r.Header.Get("Forwarded") != ""
	if err != nil || handedOn && ip.IsLoopback() {
		return nil
	}
	return ip
}

// foreign is the first machine among the offers for which the pass may not
// write.
func foreign(p auth.Pass, offers []intake.Offer) (machine string, found bool) {
	for i := range offers {
		o := &offers[i]
		if o.Problem == nil && o.Refusal == nil && !p.MayWrite(o.Record.Machine) {
			return o.Record.Machine, true
		}
	}
	return "", false
}

// confine makes a problem of every record for whose machine the pass may not
// write.
func confine(p auth.Pass, offers []intake.Offer) {
	for i := range offers {
		if o := &offers[i]; o.Problem == nil && !p.MayWrite(o.Record.Machine) {
			o.Problem = &drift.Problem{Field: "machine", Value: o.Record.Machine, Reason: "is not one that " + p.Name + " may write for"}
		}
	}
}
