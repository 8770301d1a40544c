package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
	"arcdrift/drift/plan"
)

const planPath = "/plan"

func (s *Server) routePlan(mux *routes) {
	mux.HandleFunc("GET "+planPath, onceRead((*Server).weekPlan))
	mux.HandleFunc("GET /api/v1/plan", onceRead((*Server).getPlan))
	mux.to(auth.Service, "POST "+planPath, (*Server).movePlanned)
}

type planView struct {
	Depots  []depotView
	Opens   bool // somebody is sent to the electrodes
	Problem string
	Saved   string
	Today   string
	// Split says that the plan is shown by depot: Depot of the Choices.
	Split   bool
	Depot   string
	Choices []choice
}

type depotView struct {
	Name, Bench string
	Late        string
	Days        []dayView
	Unplaced    []string
	Supply      []string
}

type dayView struct {
	Date, Day string // in words, and as 2006-01-02
	Rows      []slotView
}

type slotView struct {
	ID, Machine, Link, Site, What, Chance string
	Notes                                 []string
	Day, By, Reason                       string // of the form
}

// weekPlan shows who comes to the bench on which day.
func (s *Server) weekPlan(w http.ResponseWriter, r *http.Request) {
	s.showPlan(w, r, "", nil, http.StatusOK)
}

func (s *Server) showPlan(w http.ResponseWriter, r *http.Request, problem string, typed url.Values, status int) {
	made := slices.DeleteFunc(s.plan(), func(d plan.Depot) bool { return d.Machines()+len(d.Supply.Words()) == 0 })
	v := planView{Problem: problem, Saved: r.URL.Query().Get("moved"), Today: plan.Today(s.Now()).Format(time.DateOnly)}
	for _, d := range v.choose(made, r.FormValue("depot")) {
		v.Depots = append(v.Depots, depotWords(&d, typed))
		v.Opens = v.Opens || d.Machines() > 0
	}
	s.render(w, "plan", page{Title: "Week plan", Here: planPath, Status: status, Scripts: []string{"plan.js"}, Body: v})
}

// mostPlanned is how many machines the plan shows of all depots at once.
const mostPlanned = 300

// choose picks the depots to show: all, or of a large plan one.
func (v *planView) choose(all []plan.Depot, name string) []plan.Depot {
	machines := 0
	for i := range all {
		machines += all[i].Machines()
	}
	if machines <= mostPlanned || len(all) < 2 {
		return all
	}
	at := max(0, slices.IndexFunc(all, func(d plan.Depot) bool { return d.Depot == name }))
	v.Split, v.Depot = true, all[at].Depot
	for i := range all {
		v.Choices = append(v.Choices, choice{plan.DepotName(all[i].Depot), planPath + "?" + depotQuery(all[i].Depot), i == at})
	}
	return all[at : at+1]
}

// plan is that of the machines that the account may see.
func (s *Server) plan() []plan.Depot { return s.Fleet.Board().plan().Plan(s.Now()) }

// plannedFleet is what a plan takes from the board, whatever the day.
func (b *Board) plannedFleet() *plan.Fleet {
	machines := make([]plan.Machine, b.rows.Len())
	for i := range b.machines() {
		m := &b.machines()[i]
		machines[i] = plan.Machine{Assessment: m.Assessment, Site: m.Site, Settings: m.Settings, Move: m.Move}
	}
	return plan.FleetOf(machines)
}

// getPlan answers the plan of each depot, a JSON array.
func (s *Server) getPlan(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, plan.Reports(s.plan()))
}

// depotWords is the plan of a depot as the page shows it.
func depotWords(d *plan.Depot, typed url.Values) depotView {
	v := depotView{Name: plan.DepotName(d.Depot), Bench: fmt.Sprintf("The bench takes %s a day.", phrase.Count(d.PerDay, "machine")), Late: d.LateWords(), Supply: d.Supply.Words()}
	busy := false
	for _, day := range d.Days {
		one := dayView{Date: phrase.Day(day.Date), Day: day.Date.Format(time.DateOnly)}
		for i := range day.Slots {
			one.Rows = append(one.Rows, slotWords(&day.Slots[i], typed))
		}
		busy = busy || len(one.Rows) > 0
		v.Days = append(v.Days, one)
	}
	if !busy {
		v.Days = nil
	}
	for _, t := range d.Unplaced {
		v.Unplaced = append(v.Unplaced, t.Machine)
	}
	return v
}

func slotWords(slot *plan.Slot, typed url.Values) slotView {
	v := slotView{ID: "move-" + slot.Machine, Machine: slot.Machine, Link: machineLink(slot.Machine), Site: slot.Site, What: slot.Next, Notes: slot.Notes(), Day: slot.Day.Format(time.DateOnly)}
	if p, ok := slot.Chance.Get(); ok {
		v.Chance = "Chance that the pair fails by then: " + phrase.Chance(p) + "."
	}
	if m := slot.Move; m != nil {
		v.Notes = append(v.Notes, "decided by "+or(m.By, "nobody named")+": "+m.Reason)
	}
	if typed.Get("machine") == slot.Machine {
		v.Day, v.By, v.Reason = typed.Get("day"), typed.Get("operator"), typed.Get("reason")
	}
	return v
}

// movePlanned keeps a decision on the day of a machine.
func (s *Server) movePlanned(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	if day := typed.Get("day"); day != "" && day < plan.Today(s.Now()).Format(time.DateOnly) {
		s.showPlan(w, r, "The day has passed. Choose today or a later day.", typed, http.StatusBadRequest)
		return
	}
	values := url.Values{"type": {string(drift.TypeDecision)}, "verdict": {string(drift.Bench)}, "time": {s.Now().Format(time.RFC3339)}}
	for _, name := range []string{"machine", "day", "reason", "operator"} {
		values.Set(name, strings.TrimSpace(typed.Get(name)))
	}
	if pass := passOf(r); pass.Role != "" && pass.Name != "" {
		values.Set("role", string(pass.Role))
	}
	record, err := wire.Form(values)
	if p := problemOf(err); p != nil {
		s.showPlan(w, r, "Not saved. "+phrase.Sentence(p.Error())+".", typed, http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, []intake.Submission{{Raw: []byte(values.Encode()), Record: record, Via: "form"}})
	switch {
	case err != nil:
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showPlan(w, r, "Not saved: the agent cannot save records at present. Press Move again in a moment.", typed, http.StatusServiceUnavailable)
	case receipts[0].Refused != nil:
		s.showPlan(w, r, "Not saved. "+phrase.Sentence(receipts[0].Refused.Error())+".", typed, http.StatusBadRequest)
	default:
		next := url.Values{"moved": {record.Machine}}
		if typed.Has("depot") {
			next.Set("depot", typed.Get("depot"))
		}
		http.Redirect(w, r, planPath+"?"+next.Encode(), http.StatusSeeOther)
	}
}
