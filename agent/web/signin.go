package web

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/alexedwards/scs/v2"

	"arcdrift/agent/auth"
	"arcdrift/drift/phrase"
)

// signIn is where people say who they are, signOut where they take leave.
const (
	signIn  = "/sign-in"
	signOut = "/sign-out"
)

// sessionDays is how long a sign-in lasts: a phone in the field should not ask in
// the middle of a job, and one that was lost is shut out by removing its account.
const sessionDays = 30

// maxSignIn is the length in bytes of the longest form that is read of a stranger.
const maxSignIn = 4 << 10

// What a session holds: the account's name, and the mark of its secret.
const (
	sessionName = "name"
	sessionMark = "mark"
)

// newSessions keeps people signed in by a cookie that no script reads, that no
// other site's form sends along, and that goes over encrypted connections and to
// this computer only, unless the agent is meant to be open without protection.
func newSessions(c *Config) *scs.SessionManager {
	name := "__Host-arcdrift"
	if c.Unprotected {
		name = "arcdrift"
	}
	return &scs.SessionManager{
		Lifetime: sessionDays * 24 * time.Hour, Store: c.Sessions, Codec: scs.GobCodec{}, HashTokenInStore: true,
		Cookie: scs.SessionCookie{Name: name, Path: "/", HttpOnly: true, Secure: !c.Unprotected, SameSite: http.SameSiteLaxMode, Persist: true},
		ErrorFunc: func(w http.ResponseWriter, r *http.Request, err error) {
			c.Log.Error("a sign-in could not be kept", "path", r.URL.Path, "error", err)
			plain(w, http.StatusInternalServerError, "The agent could not save the sign-in. Its log says why.\n")
		},
	}
}

// whoAsks is what the request is let in as: by name and secret if it says them, as
// programs do, else by the sign-in of its browser, else as whoever needs no name.
func (s *Server) whoAsks(r *http.Request) (auth.Principal, error) {
	if pass := passOf(r); pass.Role != "" {
		return pass, nil
	}
	if name, secret, stated := r.BasicAuth(); stated {
		return s.Authenticator.Authenticate(s.cameFrom(r), name, secret)
	}
	if name := s.sessions.GetString(r.Context(), sessionName); name != "" {
		pass, err := s.Authenticator.Resume(s.cameFrom(r), name, s.sessions.GetString(r.Context(), sessionMark))
		if !errors.Is(err, auth.ErrGone) {
			return pass, err
		}
	}
	return s.Authenticator.Authenticate(s.cameFrom(r), "", "")
}

// turnedView says what to do where access was denied. With Form it has the sign-in
// form.
type turnedView struct {
	Title, What, Do, Again, Word string
	Form                         bool
	To, Name                     string
}

const howToSignIn = "Sign in with the name and the secret that you got from the administrator of the agent. If they are refused, ask for new ones."

// signInForm shows the sign-in form, or leads on a browser that is signed in.
func (s *Server) signInForm(w http.ResponseWriter, r *http.Request) {
	to := leadsTo(r.URL.Query().Get("to"))
	if _, err := s.whoAsks(r); err == nil {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	s.askWho(w, http.StatusOK, turnedView{Title: "Sign in", Do: howToSignIn, To: to})
}

// askWho shows the form.
func (s *Server) askWho(w http.ResponseWriter, status int, v turnedView) {
	v.Form = true
	s.render(w, "turned", page{Title: v.Title, Field: true, Status: status, Body: v})
}

// signedIn takes the form.
func (s *Server) signedIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxSignIn)
	if !readForm(w, r) {
		return
	}
	name, to := strings.TrimSpace(r.PostForm.Get("name")), leadsTo(r.PostForm.Get("to"))
	pass, err := auth.Principal{}, auth.ErrWho
	if name != "" {
		pass, err = s.Authenticator.Authenticate(s.cameFrom(r), name, strings.TrimSpace(r.PostForm.Get("secret")))
	}
	switch {
	case err == nil:
		if s.begin(w, r, pass) {
			http.Redirect(w, r, to, http.StatusSeeOther)
		}
		return
	case errors.Is(err, auth.ErrWho), errors.Is(err, auth.ErrWrong), errors.Is(err, auth.ErrTooMany):
		s.askWho(w, http.StatusUnauthorized, turnedView{Title: "Sign in", What: phrase.Sentence(err.Error()) + ".", Do: howToSignIn, To: to, Name: name})
	default:
		plain(w, http.StatusInternalServerError, "The agent cannot read the accounts. Its log says why.\n")
	}
	s.Log.Warn("a sign-in was refused", "user", name, "from", r.RemoteAddr, "error", err)
}

// begin keeps the browser signed in, under a new token. When it cannot, it has
// answered so.
func (s *Server) begin(w http.ResponseWriter, r *http.Request, pass auth.Principal) bool {
	if err := s.sessions.RenewToken(r.Context()); err != nil {
		s.sessions.ErrorFunc(w, r, err)
		return false
	}
	s.sessions.Put(r.Context(), sessionName, pass.Name)
	s.sessions.Put(r.Context(), sessionMark, pass.Mark())
	s.Log.Info("signed in", "user", pass.Name, "from", r.RemoteAddr)
	return true
}

// signedOut ends the sign-in of the browser that asks.
func (s *Server) signedOut(w http.ResponseWriter, r *http.Request) {
	if err := s.sessions.Destroy(r.Context()); err != nil {
		s.sessions.ErrorFunc(w, r, err)
		return
	}
	remember(w, machineCookie, "") // the next who signs in here may be of another customer
	http.Redirect(w, r, signIn, http.StatusSeeOther)
}

// leadsTo is where somebody goes after signing in: within the agent only.
func leadsTo(to string) string {
	if u, err := url.Parse(to); err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, `\`) {
		return "/log"
	}
	return to
}
