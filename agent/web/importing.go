package web

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/sheet"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// Tables that people upload are held in memory until they are imported: at most so many
// bytes and so long, the oldest go first. Nothing of them is a record yet.
const (
	mostHeld  = 2 * sheet.MaxFile
	heldFor   = 2 * time.Hour
	slowRead  = 5 * time.Minute // a slow line needs longer for a large file than for a form
	takeGroup = 4096            // rows that are offered together
)

// upload is a table that somebody is about to import.
type upload struct {
	by, file string
	at       time.Time
	raw      []byte
	size     int // in memory, when it was uploaded
	line     int // of the headings as stated, 0 to look for them

	mu      sync.Mutex // one change of the mapping at a time
	table   *sheet.Table
	mapping *sheet.Mapping
	fates   *fates
}

// fates is what would become of the rows, worked out once for each mapping.
type fates struct {
	taken   int
	refused []wire.Line // their rows cut to what is shown
	twice   twice
}

// uploads are held by their token.
type uploads struct {
	mu   sync.Mutex
	held map[string]*upload
}

func (u *uploads) put(now time.Time, one *upload) (token string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	token = rand.Text()
	u.held[token] = one
	for {
		bytes, oldest := 0, ""
		for t, other := range u.held {
			if now.Sub(other.at) > heldFor {
				delete(u.held, t)
				continue
			}
			if bytes += other.size; t != token && (oldest == "" || other.at.Before(u.held[oldest].at)) {
				oldest = t
			}
		}
		if bytes <= mostHeld || oldest == "" {
			return token
		}
		delete(u.held, oldest)
	}
}

// of is the upload of a token, for whoever made it.
func (u *uploads) of(now time.Time, token, by string) *upload {
	u.mu.Lock()
	defer u.mu.Unlock()
	if one := u.held[token]; one != nil && one.by == by && now.Sub(one.at) <= heldFor {
		return one
	}
	return nil
}

func (u *uploads) drop(token string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	delete(u.held, token)
}

func (s *Server) routeImport(mux *routes) {
	mux.whole(auth.Settings, "GET "+importPath, (*Server).importPage)
	mux.whole(auth.Settings, "POST "+importPath, (*Server).importTable)
}

const importPath = "/import"

// bounded bounds the body of a request: a table may be larger than anything else.
func bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most := int64(maxBody)
		if r.URL.Path == importPath && strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
			most = sheet.MaxFile + maxBody
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

type importView struct {
	Kept    []keptMapping
	Problem string
}

// keptMapping is a mapping from before.
type keptMapping struct {
	Name, When string
	mapping    *sheet.Mapping
}

// importPage asks for a file, or shows the one that was uploaded.
func (s *Server) importPage(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("table")
	if token == "" {
		s.askForTable(w, "", http.StatusOK)
		return
	}
	one := s.uploads.of(s.Now(), token, passOf(r).Name)
	if one == nil {
		s.askForTable(w, goneTable, http.StatusNotFound)
		return
	}
	one.mu.Lock()
	defer one.mu.Unlock()
	s.showTable(w, token, one, rowsPageOf(r.URL.Query()), nil, http.StatusOK)
}

const goneTable = "The file is no longer here: it is kept for two hours only. Choose it again. A mapping that was kept is still there."

func (s *Server) askForTable(w http.ResponseWriter, problem string, status int) {
	kept, err := s.keptMappings()
	if err != nil {
		s.fail(w, err)
		return
	}
	s.render(w, "import", page{Title: "Import a spreadsheet", Here: importPath, Status: status, Body: importView{Kept: kept, Problem: problem}})
}

// keptMappings are those that the store keeps, by name, the latest of each.
func (s *Server) keptMappings() ([]keptMapping, error) {
	entries, err := s.Setups()
	if err != nil {
		return nil, fmt.Errorf("web: setups: %w", err)
	}
	var out []keptMapping
	seen := map[string]bool{}
	for i := len(entries) - 1; i >= 0; i-- {
		e := &entries[i]
		if e.Setup.Scope != drift.ScopeTable || seen[e.Setup.Name] {
			continue
		}
		seen[e.Setup.Name] = true
		if m, err := mappingIn(e.Extra); err == nil && !e.Setup.Retired.Or(false) {
			m.Name = e.Setup.Name
			out = append(out, keptMapping{e.Setup.Name, phrase.Date(e.When().In(s.Now().Location())), m})
		}
	}
	return out, nil
}

// importTable takes an upload, a changed mapping, or the word to import.
func (s *Server) importTable(w http.ResponseWriter, r *http.Request) {
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		s.takeUpload(w, r)
		return
	}
	if !readForm(w, r) {
		return
	}
	token := r.PostForm.Get("table")
	one := s.uploads.of(s.Now(), token, passOf(r).Name)
	if one == nil {
		s.askForTable(w, goneTable, http.StatusNotFound)
		return
	}
	one.mu.Lock()
	defer one.mu.Unlock()
	if problem := one.change(r.PostForm); problem != nil {
		s.showTable(w, token, one, rowsPage{page: 1}, problem, http.StatusBadRequest)
		return
	}
	if r.PostForm.Get("do") != "import" || len(one.mapping.Open()) > 0 {
		http.Redirect(w, r, importPath+"?"+url.Values{"table": {token}}.Encode()+"#rows", http.StatusSeeOther)
		return
	}
	s.importRows(w, r, token, one)
}

// takeUpload holds the file and proposes a mapping, the kept one if it was chosen.
func (s *Server) takeUpload(w http.ResponseWriter, r *http.Request) {
	_ = http.NewResponseController(w).SetReadDeadline(s.Now().Add(slowRead)) // where it cannot be set, the usual time holds
	one, name, err := readUpload(r)
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		s.askForTable(w, "The file is larger than 16 MB. Split it into several, each with the headings.", http.StatusRequestEntityTooLarge)
		return
	case err != nil || len(one.raw) == 0:
		s.askForTable(w, "Choose a file that is not empty. Nothing was uploaded.", http.StatusBadRequest)
		return
	}
	kept, err := s.keptMappings()
	if err != nil {
		s.fail(w, err)
		return
	}
	one.by, one.at, one.mapping = passOf(r).Name, s.Now(), nil
	for _, k := range kept {
		if k.Name == name {
			one.mapping = k.mapping
		}
	}
	if err := one.read(); err != nil {
		s.askForTable(w, phrase.Sentence(err.Error())+".", http.StatusBadRequest)
		return
	}
	one.size = max(len(one.raw), one.table.Size())
	token := s.uploads.put(s.Now(), one)
	http.Redirect(w, r, importPath+"?"+url.Values{"table": {token}}.Encode(), http.StatusSeeOther)
}

func readUpload(r *http.Request) (one *upload, mapping string, err error) {
	one = &upload{}
	parts, err := r.MultipartReader()
	if err != nil {
		return one, "", err
	}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return one, mapping, nil
		}
		if err != nil {
			return one, "", err
		}
		if err := one.part(part, &mapping); err != nil {
			return one, "", err
		}
	}
}

func (one *upload) part(part *multipart.Part, mapping *string) error {
	if part.FormName() == "mapping" {
		text, err := io.ReadAll(io.LimitReader(part, drift.MaxText))
		*mapping = string(text)
		return err
	}
	if part.FormName() != "file" {
		return nil
	}
	one.file = part.FileName()
	var err error
	one.raw, err = io.ReadAll(part)
	return err
}

// read reads the file by its mapping, or proposes one.
func (one *upload) read() error {
	m := one.mapping
	if m == nil {
		m = &sheet.Mapping{}
	}
	table, err := sheet.Read(one.raw, m, one.line)
	if err != nil {
		return err
	}
	if one.table = table; one.mapping == nil {
		one.mapping = sheet.Guess(table)
	}
	one.fates = nil
	return nil
}

// importRows offers every row, and keeps the mapping with its name.
func (s *Server) importRows(w http.ResponseWriter, r *http.Request, token string, one *upload) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Time{}) // many rows take longer than a page may
	done := importedView{File: one.file, Mapping: mappingText(one.mapping)}
	if one.mapping.Name != "" {
		if err := s.keepMapping(r, one.mapping); err != nil {
			s.notImported(w, token, one, err)
			return
		}
		done.Kept = one.mapping.Name
	}
	var offers []intake.Submission
	for line := range one.mapping.Lines(one.table) {
		offers = append(offers, intake.Submission{Raw: line.Raw, Record: line.Record, Problem: line.Problem, Line: line.Number, Via: imported})
		if len(offers) < takeGroup {
			continue
		}
		if err := s.takeRows(r, offers, &done); err != nil {
			s.notImported(w, token, one, err)
			return
		}
		offers = nil
	}
	if err := s.takeRows(r, offers, &done); err != nil {
		s.notImported(w, token, one, err)
		return
	}
	s.uploads.drop(token)
	s.Log.Info("a table was imported", "by", passOf(r).Name, "file", one.file, "taken", done.Taken, "there", done.There, "refused", done.Refused)
	s.render(w, "imported", page{Title: "Imported", Here: importPath, Status: http.StatusCreated, Body: done})
}

// notImported: importing again takes what is missing.
func (s *Server) notImported(w http.ResponseWriter, token string, one *upload, err error) {
	s.cannotTake(err)
	w.Header().Set("Retry-After", retryAfter)
	s.showTable(w, token, one, rowsPage{page: 1}, &drift.Problem{Reason: "the agent cannot save all records at present. Press Import again in a moment: what was taken is not taken twice"}, http.StatusServiceUnavailable)
}

type importedView struct {
	File, Kept, Mapping              string
	Taken, There, Conflicts, Refused int
	Questions                        []string
}

func (s *Server) takeRows(r *http.Request, offers []intake.Submission, done *importedView) error {
	if len(offers) == 0 {
		return nil
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		return err
	}
	const mostQuestions = 20
	for i := range receipts {
		switch receipt := &receipts[i]; {
		case receipt.Refused != nil:
			done.Refused++
		case receipt.Duplicate:
			done.There++
		case receipt.Conflict:
			done.Conflicts++
		default:
			done.Taken++
		}
		for _, q := range receipts[i].Questions {
			if len(done.Questions) < mostQuestions {
				done.Questions = append(done.Questions, fmt.Sprintf("Line %d: %s", offers[i].Line, q))
			}
		}
	}
	return nil
}

// keepMapping keeps it as a record: somebody decided what the columns mean.
func (s *Server) keepMapping(r *http.Request, m *sheet.Mapping) error {
	extra := `{"mapping":` + mappingText(m) + `}`
	record := drift.Record{Type: drift.TypeSetup, Time: s.Now(), Operator: passOf(r).Name, Setup: &drift.Setup{Scope: drift.ScopeTable, Name: m.Name}, Extra: []byte(extra)}
	kept, err := s.keptMappings()
	for _, k := range kept {
		if k.Name == m.Name && mappingText(k.mapping) == mappingText(m) {
			return nil
		}
	}
	if err != nil {
		return err
	}
	receipts, err := s.offer(r, []intake.Submission{{Raw: record.AppendCanonical(nil), Record: record, Problem: problemOf(record.Check()), Via: "form"}})
	if err == nil && receipts[0].Refused != nil {
		err = receipts[0].Refused
	}
	return err
}
