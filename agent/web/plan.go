package web

import (
	"cmp"
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
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
	"arcdrift/drift/plan"
)

const planPath = "/plan"

func (s *Server) routePlan(mux *routes) {
	mux.HandleFunc("GET "+planPath, onceRead((*Server).weekPlan))
	mux.to(auth.Service, "POST "+planPath, (*Server).movePlanned)
}

type planView struct {
	Depots  []depotView
	Opens   bool // somebody is sent to the electrodes
	Problem string
	Saved   string
	Today   string
}

type depotView struct {
	Name, Bench string
	Late        string
	Days        []dayView
	Unplaced    []string
	Supply      []string
}

type dayView struct {
	Date string
	Free int
	Rows []slotView
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
	machines, _ := s.Fleet.Board()
	today := s.today()
	tasks, about := s.tasks(machines, today)
	v := planView{Problem: problem, Saved: r.URL.Query().Get("moved"), Today: today.Format(time.DateOnly)}
	for _, d := range plan.Make(tasks, benchesOf(machines), today) {
		if one := depotWords(&d, about, typed); len(one.Days)+len(one.Unplaced)+len(one.Supply) > 0 {
			v.Depots = append(v.Depots, one)
		}
	}
	v.Opens = len(tasks) > 0
	s.render(w, "plan", page{Title: "Week plan", Here: planPath, Status: status, Body: v})
}

// today is the agent's day, at midnight UTC.
func (s *Server) today() time.Time {
	y, m, d := s.Now().Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// planned is what the page says of a machine beside its task.
type planned struct {
	next string
	move *plan.Move // the decision in force, nil for none
}

// tasks are the machines whose advice asks for the bench within the weeks of the plan.
func (s *Server) tasks(machines []Machine, today time.Time) ([]plan.Task, map[string]planned) {
	var tasks []plan.Task
	about := map[string]planned{}
	end := today.AddDate(0, 0, 7*plan.Weeks)
	for i := range machines {
		m := &machines[i]
		if m.Electrode.Action == advise.None || m.Electrode.Action == "" {
			continue
		}
		t := plan.Task{Machine: m.Machine, Depot: m.Settings.Depot, Site: m.Site, Replace: m.Electrode.Action == advise.Replace, Stop: m.State == advise.Stop}
		if by, err := time.Parse(time.DateOnly, m.Electrode.ActBy.Or("")); err == nil {
			t.ActBy = by
		}
		if !t.Stop && t.ActBy.After(end) {
			continue
		}
		if pace, ok := m.Electrode.ArcsPerDay.Get(); ok && !t.ActBy.IsZero() {
			t.Chance = m.Electrode.ChanceWithin(pace * max(0, t.ActBy.Sub(today).Hours()/24))
		}
		one := planned{next: m.BenchStep(s.Now())}
		if t.Fixed = m.Move.Fixed(today); !t.Fixed.IsZero() {
			one.move = m.Move
		}
		tasks = append(tasks, t)
		about[m.Machine] = one
	}
	return tasks, about
}

// benchesOf are the benches of the depots: what the first machine of each that states it
// says, as with the spare pairs.
func benchesOf(machines []Machine) []plan.Bench {
	sorted := slices.SortedFunc(slices.Values(machines), func(a, b Machine) int { return cmp.Compare(a.Machine, b.Machine) })
	stated := map[string]drift.Settings{}
	var depots []string
	for i := range sorted {
		now := sorted[i].Settings
		was, known := stated[now.Depot]
		if !known {
			depots = append(depots, now.Depot)
			was = now
		}
		was.BenchPerDay, was.SparePairs, was.LeadTime = was.BenchPerDay.OrElse(now.BenchPerDay), was.SparePairs.OrElse(now.SparePairs), was.LeadTime.OrElse(now.LeadTime)
		was.BenchDays = or(was.BenchDays, now.BenchDays)
		stated[now.Depot] = was
	}
	var out []plan.Bench
	for _, depot := range depots {
		b := stated[depot]
		days, _ := drift.Weekdays(or(b.BenchDays, plan.UsualDays)) // it was checked when it was taken
		out = append(out, plan.Bench{Depot: depot, PerDay: int(b.BenchPerDay.Or(plan.UsualPerDay)), Days: days, Pairs: b.SparePairs, LeadDays: b.LeadTime.Or(plan.UsualLead)})
	}
	return out
}

func depotName(name string) string { return or(name, "No depot stated") }

// depotWords is the plan of a depot as the page shows it.
func depotWords(d *plan.Depot, about map[string]planned, typed url.Values) depotView {
	v := depotView{Name: depotName(d.Depot), Bench: fmt.Sprintf("The bench takes %s a day.", phrase.Count(d.PerDay, "machine"))}
	if d.Late > 0 {
		v.Late = fmt.Sprintf("%s cannot come by the act-by date. Find another place for them, or let them stand still until then.", phrase.Count(d.Late, "machine"))
		if d.Late == 1 {
			v.Late = "1 machine cannot come by the act-by date. Find another place for it, or let it stand still until then."
		}
	}
	for _, day := range d.Days {
		one := dayView{Date: phrase.Day(day.Date), Free: max(0, day.Free)}
		for i := range day.Slots {
			one.Rows = append(one.Rows, slotWords(&day.Slots[i], about[day.Slots[i].Machine], typed))
		}
		if len(one.Rows) > 0 {
			v.Days = append(v.Days, one)
		}
	}
	for _, t := range d.Unplaced {
		v.Unplaced = append(v.Unplaced, t.Machine)
	}
	v.Supply = supplyWords(&d.Supply)
	return v
}

func slotWords(slot *plan.Slot, about planned, typed url.Values) slotView {
	v := slotView{ID: "move-" + slot.Machine, Machine: slot.Machine, Link: machineLink(slot.Machine), Site: slot.Site, What: about.next, Day: slot.Day.Format(time.DateOnly)}
	if p, ok := slot.Chance.Get(); ok {
		v.Chance = "Chance that the pair fails by then: " + phrase.Chance(p) + "."
	}
	if slot.Late > 0 {
		v.Notes = append(v.Notes, phrase.Count(slot.Late, "day")+" after its act-by date, "+phrase.Day(slot.ActBy))
	}
	if slot.Over {
		v.Notes = append(v.Notes, "more than the bench takes on this day")
	}
	if m := about.move; m != nil {
		v.Notes = append(v.Notes, "decided by "+or(m.By, "nobody named")+": "+m.Reason)
	}
	if typed.Get("machine") == slot.Machine {
		v.Day, v.By, v.Reason = typed.Get("day"), typed.Get("operator"), typed.Get("reason")
	}
	return v
}

// supplyWords says which pairs to move and to order.
func supplyWords(s *plan.Supply) []string {
	var out []string
	if s.Needed > 0 && !s.Held.Known() {
		out = append(out, fmt.Sprintf("The replacements take %s. Nobody has stated how many the depot holds.", phrase.Count(s.Needed, "pair")))
	}
	for _, m := range s.Move {
		out = append(out, fmt.Sprintf("Move %s here from %s.", phrase.Count(m.Pairs, "pair"), depotName(m.From)))
	}
	switch {
	case s.Order > 0 && s.Late:
		out = append(out, fmt.Sprintf("Order %s now: they should have been ordered by %s.", phrase.Count(s.Order, "pair"), phrase.Day(s.OrderBy)))
	case s.Order > 0:
		out = append(out, fmt.Sprintf("Order %s by %s.", phrase.Count(s.Order, "pair"), phrase.Day(s.OrderBy)))
	}
	return out
}

// movePlanned keeps a decision on the day of a machine.
func (s *Server) movePlanned(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	if day := typed.Get("day"); day != "" && day < s.today().Format(time.DateOnly) {
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
		http.Redirect(w, r, planPath+"?"+url.Values{"moved": {record.Machine}}.Encode(), http.StatusSeeOther)
	}
}
