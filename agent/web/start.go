package web

import (
	"crypto/rand"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

type startView struct {
	ID                string
	Machines          []startTile
	Others            []tile // of the fleet, to choose the crew from, when there are few
	Many              bool   // too many to offer as tiles
	Crew              string // the names of the crew
	Cleaver           string
	Program, Operator string
	Site              string
	Sites             []string
	AirChoices        []airChoice
	Wrong             mistakes
	NotSaved          bool
}

// startTile is a machine of the crew, chosen when a check is due.
type startTile struct {
	tile
	Note string
}

// startForm is the start of day of a crew: one record for each machine that passed.
func (s *Server) startForm(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if q.Has("crew") {
		b := s.Fleet.Board()
		names := strings.FieldsFunc(strings.Join(q["crew"], " "), func(c rune) bool { return c == ' ' || c == ',' || c == ';' })
		names = slices.DeleteFunc(names, func(name string) bool { return !b.has(name) })
		s.prefer(w, r, crewCookie, strings.Join(names[:min(len(names), mostOffline)], " "))
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return
	}
	s.showStart(w, r, q, nil, http.StatusOK)
}

func (s *Server) showStart(w http.ResponseWriter, r *http.Request, typed url.Values, problems []*drift.Problem, status int) {
	u := s.unitsOf(w, r)
	crew := s.crewOf(r)
	v := startView{
		ID: or(typed.Get("id"), rand.Text()), Crew: strings.Join(crew, " "), Cleaver: typed.Get("cleaver"), Program: typed.Get("program"), Operator: typed.Get("operator"),
		Site: typed.Get("site"), Wrong: mistakesOf(u, problems...), NotSaved: status == http.StatusServiceUnavailable,
	}
	_, v.Sites = s.siteNames("")
	b := s.Fleet.Board()
	for _, name := range slices.Compact(slices.Sorted(slices.Values(crew))) {
		if m := b.find(name); m != nil {
			v.Machines = append(v.Machines, startOf(m, typed))
		}
	}
	if b.rows.Len() <= fewMachines {
		for _, name := range b.names() {
			v.Others = append(v.Others, tile{name, name, slices.Contains(crew, name)})
		}
	} else {
		v.Many = true
	}
	for _, name := range crew { // a sensor at one of them is where the others are
		if sensor := s.sensorOf(name, u); sensor != nil && sensor.Fresh {
			v.AirChoices = s.airChoices(u, typed, sensor, nil)
			break
		}
	}
	s.render(w, "start", page{Title: "Start of day", Here: "/log", Field: true, Scripts: []string{"send.js"}, Status: status, Body: v})
}

// startOf offers a machine; one that must not be used, that has just failed, or whose check
// has passed, is not chosen.
func startOf(m *Machine, typed url.Values) startTile {
	t := startTile{tile: tile{Value: m.Machine, Word: m.Machine, Chosen: m.Due != nil && m.State != advise.Stop && m.Streak.Attempts == 0}}
	switch {
	case m.State == advise.Stop:
		t.Note = "stop: do not use"
	case m.Streak.Attempts > 0:
		t.Note = "the last attempt failed"
	case m.Due == nil:
		t.Note = "no check due"
	case m.Due.Reason != advise.StartOfDay:
		t.Note = m.Due.Phrase()
	}
	if typed.Has("id") {
		t.Chosen = slices.Contains(typed["machine"], m.Machine)
	}
	return t
}

// startRecords takes the form: a calibration that passed, for each machine chosen.
func (s *Server) startRecords(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	offers, problems := startOffers(typed, s.happened(typed))
	if len(problems) > 0 {
		s.showStart(w, r, typed, problems, http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showStart(w, r, typed, nil, http.StatusServiceUnavailable)
		return
	}
	saved := savedView{Several: typed["machine"], What: "Start of day, passed: " + phrase.Join(typed["machine"]), At: phrase.Clock(s.happened(typed))}
	for _, receipt := range receipts {
		if receipt.Refused != nil {
			s.showStart(w, r, typed, []*drift.Problem{receipt.Refused}, http.StatusBadRequest)
			return
		}
		saved.Questions = append(saved.Questions, receipt.Questions...)
		saved.Conflict = saved.Conflict || receipt.Conflict
	}
	s.render(w, "saved", page{Title: "Saved", Here: "/log", Field: true, Status: http.StatusCreated, Body: saved})
}

// startOffers are the records of the machines chosen, and what is wrong with the form.
func startOffers(typed url.Values, at time.Time) (offers []intake.Submission, problems []*drift.Problem) {
	common := url.Values{"type": {string(drift.TypeCalibration)}, "time": {at.Format(time.RFC3339)}, "passed": {"true"}, "attempts": {"1"}, "trigger": {"start-of-day"}}
	for _, name := range []string{"operator", "program", "cleaver", "site"} {
		if text := typed.Get(name); text != "" {
			common.Set(name, text)
		}
	}
	takeAir(common, typed.Get("air"))
	for _, machine := range typed["machine"] {
		v := maps.Clone(common)
		v.Set("machine", machine)
		v.Set("id", typed.Get("id")+"-"+machine)
		record, wrong := decoded(v)
		offers = append(offers, intake.Submission{Raw: []byte(v.Encode()), Record: record, Via: "form"})
		if len(problems) == 0 {
			problems = wrong
		}
	}
	if len(offers) == 0 {
		problems = append(problems, &drift.Problem{Field: "machine", Reason: "is missing: choose the machines that passed"})
	}
	return offers, problems
}
