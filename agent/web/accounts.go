package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"github.com/boombuler/barcode/qr"

	"arcdrift/agent/auth"
	"arcdrift/drift/phrase"
)

// rotateOverlap is how long a secret stays right after another was made here.
const rotateOverlap = 24 * time.Hour

type accountsView struct {
	Me          string
	Limit       auth.Limit
	Rows        []accountRow
	Roles       []auth.Role
	Overlap     int // hours
	Problem     string
	Made        *madeView
	Fingerprint string
}

// limitField asks for the limit of a new account, or says which it will have.
type limitField struct {
	ID    string
	Limit auth.Limit
}

// LimitOf is that field of a form.
func (v accountsView) LimitOf(form string) limitField { return limitField{form, v.Limit} }

// accountRow is one account as the page lists it.
type accountRow struct{ Name, Does, Since, Used, More string }

// madeView is what was just made and is shown this once.
type madeView struct {
	Name, Secret, Link string
	Here               bool // the link leads to this computer only
	Code               *codeView
	Until              string
}

// codeView is a QR code: a path of squares in a drawing so many wide.
type codeView struct {
	Size int
	Path template.HTMLAttr
}

// accounts lists who may come in.
func (s *Server) accounts(w http.ResponseWriter, r *http.Request) {
	s.showAccounts(w, r, http.StatusOK, "", nil)
}

func (s *Server) showAccounts(w http.ResponseWriter, r *http.Request, status int, problem string, made *madeView) {
	all, err := s.Keys.Accounts()
	used, usedErr := s.Keys.Used()
	if err = errors.Join(err, usedErr); err != nil {
		s.fail(w, fmt.Errorf("web: accounts: %w", err))
		return
	}
	v := accountsView{Me: passOf(r).Name, Limit: passOf(r).Limit, Roles: auth.Roles(), Overlap: int(rotateOverlap.Hours()), Problem: problem, Made: made, Fingerprint: s.Fingerprint()}
	for _, a := range all {
		if !passOf(r).MayManage(&a) {
			continue
		}
		row := accountRow{Name: a.Name, Does: string(a.Role), Since: phrase.Date(a.Added.In(s.Now().Location())), Used: "not used yet"}
		if a.Role == auth.Device {
			row.Does = "device of " + strings.Join(a.Machines, ", ")
		}
		if limit := a.Limit.String(); limit != "" {
			row.Does += " (" + limit + ")"
		}
		if at, known := used[a.Name]; known {
			row.Used = "last used " + s.wall(at)
		}
		if a.Invite != "" {
			row.More = "invited until " + s.wall(a.InviteEnds)
		} else if s.Now().Before(a.BeforeEnds) {
			row.More = "the old secret is valid until " + s.wall(a.BeforeEnds)
		}
		v.Rows = append(v.Rows, row)
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, "accounts", page{Title: "Accounts", Status: status, Body: v})
}

// changeAccounts takes what the page asks for, and shows what was made of it.
func (s *Server) changeAccounts(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	name := strings.TrimSpace(r.PostForm.Get("name"))
	made, err := s.changeAccount(r, name)
	if err != nil {
		s.showAccounts(w, r, http.StatusBadRequest, phrase.Sentence(err.Error())+".", nil)
		return
	}
	s.Log.Info("an account was changed", "by", passOf(r).Name, "account", name, "what", r.PostForm.Get("do"))
	s.showAccounts(w, r, http.StatusOK, "", made)
}

func (s *Server) changeAccount(r *http.Request, name string) (*madeView, error) {
	now := s.Now()
	limit, err := s.limitOf(r)
	if err != nil {
		return nil, err
	}
	switch do := r.PostForm.Get("do"); do {
	case "invite":
		role := auth.Role(r.PostForm.Get("role"))
		if !role.May(auth.Read) {
			return nil, fmt.Errorf("say what %s may do", or(name, "the person"))
		}
		if err := s.firstIsAManager(role, limit); err != nil {
			return nil, err
		}
		token, err := s.Keys.Invite(auth.Account{Name: name, Role: role, Limit: limit}, now)
		if err != nil {
			return nil, err
		}
		return s.invitation(r, name, token)
	case "device":
		if err := s.firstIsAManager(auth.Device, limit); err != nil {
			return nil, err
		}
		machines, err := auth.ParseMachines(strings.FieldsFunc(r.PostForm.Get("machines"), func(c rune) bool { return c == ',' || c == ' ' }))
		if err != nil {
			return nil, err
		}
		forwards := r.PostForm.Get("forwards") != ""
		secret, err := s.Keys.Add(auth.Account{Name: name, Role: auth.Device, Machines: machines, Forwards: &forwards, Limit: limit}, now)
		return &madeView{Name: name, Secret: secret}, err
	case "rotate":
		if err := s.mayManage(r, name); err != nil {
			return nil, err
		}
		secret, err := s.Keys.Rotate(name, rotateOverlap, now)
		return &madeView{Name: name, Secret: secret, Until: s.wall(now.Add(rotateOverlap))}, err
	case "remove":
		if name == passOf(r).Name {
			return nil, errors.New("you cannot remove your own account here: ask another manager, or use arcdrift person remove")
		}
		if err := s.mayManage(r, name); err != nil {
			return nil, err
		}
		return nil, s.Keys.Remove(name)
	default:
		return nil, fmt.Errorf("%q is not an action of this page", do)
	}
}

// limitOf is the limit that the form gives a new account. Without one it is that of the
// manager who makes it; no account sees more than who made it.
func (s *Server) limitOf(r *http.Request) (auth.Limit, error) {
	names := func(field string) []string {
		var out []string
		for line := range strings.SplitSeq(r.PostForm.Get(field), ",") {
			if line = strings.TrimSpace(line); line != "" {
				out = append(out, line)
			}
		}
		return out
	}
	own := passOf(r).Limit
	limit, err := auth.ParseLimit(names("customers"), names("depots"))
	if err != nil {
		return limit, err
	}
	if len(limit.Customers) == 0 {
		limit.Customers = own.Customers
	}
	if len(limit.Depots) == 0 {
		limit.Depots = own.Depots
	}
	if !passOf(r).MayManage(&auth.Account{Limit: limit}) {
		return limit, fmt.Errorf("an account that you make can see no more than yours: %s", own)
	}
	return limit, nil
}

// mayManage is why whoever asks may not change the account: for a limited manager, an
// account of others is not there.
func (s *Server) mayManage(r *http.Request, name string) error {
	a, found, err := s.Keys.Find(name)
	if err == nil && passOf(r).Limited() && (!found || !passOf(r).MayManage(&a)) {
		err = auth.NoAccount(name)
	}
	return err
}

// firstIsAManager: with the first account this computer needs one too, and then
// somebody must be able to make the others.
func (s *Server) firstIsAManager(role auth.Role, limit auth.Limit) error {
	all, err := s.Keys.Accounts()
	if err == nil && len(all) == 0 && (role != auth.Manager || !limit.None()) {
		err = errors.New("the first account must have the role manager, without a limit: after that nobody can sign in without an account")
	}
	return err
}

// invitation is the link that invites, as the address by which the manager came,
// and its code.
func (s *Server) invitation(r *http.Request, name, token string) (*madeView, error) {
	scheme := "https"
	if s.Fingerprint() == "" && !(s.fromProxy(r) && r.Header.Get("X-Forwarded-Proto") == "https") {
		scheme = "http"
	}
	link := url.URL{Scheme: scheme, Host: r.Host, Path: "/invite/" + token}
	code, err := codeOf(link.String())
	at, addrErr := netip.ParseAddr(link.Hostname())
	here := link.Hostname() == "localhost" || addrErr == nil && at.IsLoopback()
	return &madeView{Name: name, Link: link.String(), Code: code, Here: here}, err
}

// codeOf draws a QR code (ISO/IEC 18004), with the quiet zone of 4 modules.
func codeOf(text string) (*codeView, error) {
	const quiet = 4
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return nil, fmt.Errorf("the code cannot be drawn: %w", err)
	}
	size := code.Bounds().Dx()
	var path strings.Builder
	for y := range size {
		for x := 0; x < size; x++ {
			from := x
			for x < size {
				if dark, _, _, _ := code.At(x, y).RGBA(); dark != 0 {
					break
				}
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
			}
		}
	}
	return &codeView{size + 2*quiet, template.HTMLAttr(`d="` + path.String() + `"`)}, nil //nolint:gosec // digits and letters of ours
}

type invitedView struct {
	Name, Problem, Fingerprint, Secret, Token string
	Role                                      auth.Role
}

// invited shows an invitation. Opening it does not use it up: programs
// that scan messages for links open it too.
func (s *Server) invited(w http.ResponseWriter, r *http.Request) {
	token := r.PathValue("token")
	a, err := s.Keys.Invited(token, s.Now())
	if err != nil {
		s.noInvitation(w, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, "invited", page{Title: "Invitation", Field: true, Body: invitedView{Name: a.Name, Role: a.Role, Token: token, Fingerprint: s.Fingerprint()}})
}

// acceptInvitation gives the invited person a secret, shown once, and signs this browser in.
func (s *Server) acceptInvitation(w http.ResponseWriter, r *http.Request) {
	name, secret, err := s.Keys.Accept(r.PathValue("token"), s.Now())
	if err != nil {
		s.noInvitation(w, err)
		return
	}
	pass, err := s.Authenticator.Authenticate(s.cameFrom(r), name, secret)
	if err != nil {
		s.fail(w, fmt.Errorf("web: an account that was just made: %w", err))
		return
	}
	if s.begin(w, r, pass) {
		w.Header().Set("Cache-Control", "no-store")
		s.render(w, "invited", page{Title: "Signed in", Field: true, Body: invitedView{Name: name, Role: pass.Role, Secret: secret}})
	}
}

func (s *Server) noInvitation(w http.ResponseWriter, err error) {
	if !errors.Is(err, auth.ErrInvite) {
		s.fail(w, fmt.Errorf("web: invitation: %w", err))
		return
	}
	s.lost(w, http.StatusNotFound, "No invitation", phrase.Sentence(err.Error())+". Ask for another.")
}
