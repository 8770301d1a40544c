package web

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/agent/manual"
	"arcdrift/dashboards"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// page is what every page has; Body is the view of its own.
type page struct {
	Title string
	// Here is the path the navigation marks.
	Here string
	// Tag is the version of a page that keeps itself current; empty otherwise.
	Tag string
	// Field marks a page for gloves: one column, larger controls.
	Field bool
	// Wide marks a page for a large screen, Wall one that is read from far.
	Wide, Wall bool
	Scripts    []string
	Now        time.Time
	Body       any
	// Status of the answer; 0 means 200.
	Status int
}

type link struct {
	Path, Word string
}

// Nav are the pages that are always in sight.
func (page) Nav() []link {
	return []link{{"/", "Overview"}, {"/log", "Log"}, {"/moved", "Moved?"}, {"/alerts", "Alerts"}}
}

// Office are the pages that a phone has in its menu.
func (page) Office() []link {
	return []link{{"/machines", "Machines"}, {"/morning", "Morning"}, {"/spares", "Spares"}}
}

// More are the pages in the menu.
func (page) More() []link {
	return []link{
		{"/compare", "Compare"}, {"/rules", "Checks made"}, {"/look-back", "Look back"}, {"/proof", "Proof"}, {"/wall", "Wall screen"}, {"/plan", "Plan"}, {"/settings", "Settings"}, {"/import", "Import"},
		{"/refused", "Refused records"}, {"/phone", "On the phone"}, {"/help", "Help"},
	}
}

// group is a set of tiles of which one is chosen.
type group struct {
	Name     string
	Tiles    []tile
	Required bool
}

// texts are what the program brings along to show; nobody changes them.
type texts struct {
	assets *assets
	pages  map[string]*template.Template
	manual *manual.Manual
}

func readTexts() (*texts, error) {
	files, err := newAssets(dashboards.Static())
	if err != nil {
		return nil, err
	}
	pages, err := parsePages(files)
	if err != nil {
		return nil, err
	}
	help, err := manual.Open()
	return &texts{files, pages, help}, err
}

// parsePages reads every template: one set per page, the layout and the shared
// parts in each.
func parsePages(static *assets) (map[string]*template.Template, error) {
	files := dashboards.Pages()
	shared, err := template.New("").Funcs(template.FuncMap{
		"static":      static.link,
		"stateWord":   phrase.State[advise.State],
		"cautions":    advise.Cautions,
		"group":       func(name string, tiles []tile, required bool) group { return group{name, tiles, required} },
		"rfc":         func(t time.Time) string { return t.Format(time.RFC3339) },
		"clock":       phrase.Moment,
		"arcCautions": advise.ArcCautionText,
	}).ParseFS(files, "layout.html", "parts.html", "chart.html")
	if err != nil {
		return nil, fmt.Errorf("web: shared templates: %w", err)
	}
	names, err := fs.Glob(files, "*.html")
	if err != nil {
		return nil, fmt.Errorf("web: templates: %w", err)
	}
	pages := map[string]*template.Template{}
	for _, name := range names {
		if shared.Lookup(name) != nil {
			continue
		}
		own, err := shared.Clone()
		if err == nil {
			own, err = own.ParseFS(files, name)
		}
		if err != nil {
			return nil, fmt.Errorf("web: template %s: %w", name, err)
		}
		pages[name[:len(name)-len(path.Ext(name))]] = own
	}
	return pages, nil
}

// render writes a page whole or, when its template fails, an error page: never
// half of one.
func (s *Server) render(w http.ResponseWriter, name string, p page) {
	var out bytes.Buffer
	p.Now = s.Now()
	if err := s.pages[name].ExecuteTemplate(&out, "layout", p); err != nil {
		s.fail(w, fmt.Errorf("web: page %s: %w", name, err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "private, no-cache")
	if p.Tag != "" {
		h.Set("ETag", p.Tag)
	}
	w.WriteHeader(max(p.Status, http.StatusOK))
	_, _ = w.Write(out.Bytes()) // the client may have gone
}

// fail is where an error that no reader can correct ends: logged once, and answered in
// general words.
func (s *Server) fail(w http.ResponseWriter, err error) {
	s.Log.Error("request failed", "error", err)
	if why := s.Records.Ready(); why != nil {
		w.Header().Set("Retry-After", retryAfter)
		plain(w, http.StatusServiceUnavailable, "The agent cannot answer now: "+why.Error()+". No saved record is lost. Try again in a minute.\n")
		return
	}
	plain(w, http.StatusInternalServerError, "The agent could not answer. Its log says why. No saved record is lost.\n")
}

func (s *Server) routePages(mux *routes) {
	mux.HandleFunc("GET /{$}", (*Server).overview)
	mux.HandleFunc("GET /overview.csv", onceRead((*Server).overviewCSV))
	mux.HandleFunc("GET /machines", (*Server).board)
	mux.HandleFunc("GET /machines.csv", onceRead((*Server).boardCSV))
	mux.HandleFunc("GET /wall", (*Server).wallPage)
	mux.HandleFunc("GET /machines/{id}/power.csv", onceRead((*Server).powerCSV))
	mux.HandleFunc("GET /machines/{id}", onceRead((*Server).machine))
	mux.HandleFunc("GET /moved", onceRead((*Server).moved))
	mux.HandleFunc("GET /log", (*Server).logForm)
	mux.to(auth.Log, "POST /log", (*Server).logRecord)
	mux.HandleFunc("GET /start", onceRead((*Server).startForm))
	mux.to(auth.Log, "POST /start", (*Server).startRecords)
	mux.HandleFunc("GET /service", (*Server).benchForm)
	mux.to(auth.Service, "POST /service", (*Server).benchRecords)
	mux.HandleFunc("GET /correct", (*Server).correctForm)
	mux.to(auth.Log, "POST /correct", (*Server).correctRecord)
	mux.to(auth.Log, "POST /answer", (*Server).answerQuestion)
	mux.HandleFunc("GET /morning", onceRead((*Server).morning))
	mux.HandleFunc("GET /morning.txt", onceRead((*Server).morningText))
	mux.HandleFunc("GET /rules", (*Server).rules)
	mux.HandleFunc("GET /compare", onceRead((*Server).compare))
	s.routeLookBack(mux)
	s.routeImport(mux)
	s.routeSettings(mux)
	s.routePlan(mux)
	mux.HandleFunc("GET /refused", (*Server).refusedPage)
	mux.HandleFunc("GET /alerts", onceRead((*Server).alerts))
	mux.to(auth.Service, "POST /alerts", (*Server).answerAlert)
	mux.HandleFunc("GET /spares", onceRead((*Server).sparesPage))
	mux.to(auth.Export, "GET /proof", onceRead((*Server).proofPage))
	mux.HandleFunc("GET /phone", (*Server).phone)
	mux.open("GET "+signIn, s.signInForm)
	mux.open("POST "+signIn, s.signedIn)
	mux.open("POST "+signOut, s.signedOut)
	mux.open("GET /invite/{token}", s.invited)
	mux.open("POST /invite/{token}", s.acceptInvitation)
	mux.to(auth.Accounts, "GET /accounts", (*Server).accounts)
	mux.to(auth.Accounts, "POST /accounts", (*Server).changeAccounts)
}

// onceRead answers only when something was read: to an agent that has just
// started every machine is unknown, and no machine needs action.
func onceRead(next handler) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) {
		if !s.reading() {
			next(s, w, r)
			return
		}
		w.Header().Set("Retry-After", retryAfter)
		if strings.HasPrefix(r.URL.Path, "/api/") {
			refuse(w, http.StatusServiceUnavailable, &drift.Problem{Reason: stillReading})
			return
		}
		s.lost(w, http.StatusServiceUnavailable, "Starting", stillReading)
	}
}

const stillReading = "The agent has just started and is still reading its records. Try again in a moment."

// reading says whether the agent is still at its first reading, or could not do it.
func (s *Server) reading() bool {
	return s.Fleet.Board().version == 0
}

// tag is the version of a live page: it changes with the fleet's answers and
// with the minute, because ages are on the page.
func (s *Server) tag(version uint64) string {
	return fmt.Sprintf(`W/"%d-%d"`, version, s.Now().Unix()/60)
}

// unchanged answers 304 if the reader already has this version.
func unchanged(w http.ResponseWriter, r *http.Request, tag string) bool {
	if r.Header.Get("If-None-Match") != tag {
		return false
	}
	w.Header().Set("ETag", tag)
	w.WriteHeader(http.StatusNotModified)
	return true
}

// lost answers a link that leads nowhere, with the way back.
func (s *Server) lost(w http.ResponseWriter, status int, title, text string) {
	s.render(w, "error", page{Title: title, Status: status, Body: struct{ Title, Text string }{title, text}})
}

// orLost gives a person at an address that is none a page; a script, and whoever
// asks the interface, gets its plain answer.
func (s *Server) orLost(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reads := r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(r.URL.Path, "/api/")
		if _, known := mux.Handler(r); known == "" && reads {
			s.lost(w, http.StatusNotFound, "No such page", "There is no page at "+r.URL.Path+". Check the address.")
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// noMachine answers a question about a machine that no record names.
func (s *Server) noMachine(w http.ResponseWriter, machine string) {
	s.render(w, "unknown", page{Title: "Unknown machine", Status: http.StatusNotFound, Body: machine})
}
