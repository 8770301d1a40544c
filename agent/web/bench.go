package web

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

type benchView struct {
	ID, Machine                        string
	Tiles                              []tile   // machines, when there are few
	Machines                           []string // machines to choose from, when there are many
	Found, Action, Finding, Left, When []tile
	Pair, Operator                     string
	Count                              entryField
	FoundBy, LeftBy                    entryField // the corrections the machine made
	Problem                            *mistake
	NotSaved                           bool
}

// benchForm shows the page of the service bench: as found, work done, as left.
func (s *Server) benchForm(w http.ResponseWriter, r *http.Request) {
	s.showBench(w, r.URL.Query(), nil, http.StatusOK)
}

func (s *Server) showBench(w http.ResponseWriter, typed url.Values, p *drift.Problem, status int) {
	wrong := mistakeOf(p, units{})
	v := benchView{
		ID: or(typed.Get("id"), rand.Text()), Machine: typed.Get("machine"), Problem: wrong, NotSaved: status == http.StatusServiceUnavailable,
		Found:   tiles(typed.Get("found"), "true", "Passed", "false", "Failed", "", "Not checked"),
		Action:  tiles(typed.Get("action"), "inspected", "Inspected", "cleaned", "Cleaned", "replaced", "Replaced, both"),
		Finding: tiles(typed.Get("finding"), "worn", "Worn", "dirty", "Dirty", "fine", "Fine", "cleaver", "It was the cleaver", "other", "Something else"),
		Left:    tiles(typed.Get("left"), "true", "Passed", "false", "Failed", "", "Not checked"),
		When:    tiles(or(typed.Get("minutes"), "0"), "0", "Now", "15", "15 minutes ago", "30", "30 minutes ago", "60", "1 hour ago"),
		Pair:    typed.Get("pair"), Operator: typed.Get("operator"),
		Count:   numberFields(units{}, typed, wrong, "arc_count")[0],
		FoundBy: correctionField(typed, wrong, "found"), LeftBy: correctionField(typed, wrong, "left"),
	}
	v.Count.Label = "Arc count now"
	v.Count.Hint = "after a new pair most counters restart at 0"
	if v.Machine == "" {
		v.Tiles, v.Machines = offerMachines(s.machineNames())
	}
	s.render(w, "bench", page{Title: "Log a service", Here: "/log", Field: true, Scripts: []string{"keypad.js", "send.js"}, Status: status, Body: v})
}

// correctionField asks for the correction that the machine made as found or as
// left.
func correctionField(typed url.Values, wrong *mistake, when string) entryField {
	f := numberFields(units{}, typed, nil, "power_correction_pct")[0]
	f.Name = when + "_correction_pct"
	f.Value, f.Label, f.Hint = typed.Get(f.Name), "Correction made, as "+when, "if the machine shows one"
	if wrong != nil && wrong.Field == f.Name {
		f.Problem = wrong.Text
	}
	return f
}

// benchRecords takes the form: a service and, where they were made, a
// calibration before and one after it, kept together or not at all.
func (s *Server) benchRecords(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	offers, problem := benchOffers(typed, s.happened(typed))
	if problem != nil {
		s.showBench(w, typed, problem, http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showBench(w, typed, nil, http.StatusServiceUnavailable)
		return
	}
	saved := savedView{Machine: typed.Get("machine"), What: benchWords(offers), At: phrase.Clock(s.happened(typed))}
	if by := typed.Get("operator"); by != "" {
		saved.At += ", signed " + by
	}
	for _, receipt := range receipts {
		if receipt.Refused != nil {
			s.showBench(w, typed, receipt.Refused, http.StatusBadRequest)
			return
		}
		saved.Questions = append(saved.Questions, receipt.Questions...)
		saved.Conflict = saved.Conflict || receipt.Conflict
	}
	s.render(w, "saved", page{Title: "Saved", Here: "/log", Field: true, Status: http.StatusCreated, Body: saved})
}

// benchOffers are the records of one piece of work, a second apart so that their
// order is plain.
func benchOffers(typed url.Values, at time.Time) ([]intake.Submission, *drift.Problem) {
	var offers []intake.Submission
	add := func(suffix string, at time.Time, values url.Values) *drift.Problem {
		for _, name := range []string{"machine", "operator"} {
			values.Set(name, typed.Get(name))
		}
		values.Set("id", typed.Get("id")+suffix)
		values.Set("time", at.Format(time.RFC3339))
		record, err := wire.Form(values)
		offers = append(offers, intake.Submission{Raw: []byte(values.Encode()), Record: record, Via: "form"})
		return problemOf(err)
	}
	// Where it was checked, as found and as left are calibrations of their own.
	check := func(when string, at time.Time) *drift.Problem {
		passed, correction := typed.Get(when), when+"_correction_pct"
		if passed == "" {
			return nil
		}
		v := url.Values{"type": {string(drift.TypeCalibration)}, "passed": {passed}, "trigger": {"electrode-service"}}
		if text := (units{}).toSI(typed).Get(correction); text != "" {
			v.Set("power_correction_pct", text)
		}
		p := add("-"+when, at, v)
		if p != nil && p.Field == "power_correction_pct" {
			p.Field = correction
		}
		return p
	}
	if p := check("found", at.Add(-time.Second)); p != nil {
		return nil, p
	}
	work := url.Values{"type": {string(drift.TypeService)}}
	for _, name := range []string{"action", "finding", "pair", "arc_count"} {
		work.Set(name, typed.Get(name))
	}
	if p := add("-work", at, work); p != nil {
		return nil, p
	}
	if p := check("left", at.Add(time.Second)); p != nil {
		return nil, p
	}
	return offers, nil
}

func benchWords(offers []intake.Submission) string {
	var parts []string
	for i := range offers {
		e := drift.Entry{Record: offers[i].Record}
		parts = append(parts, typeWord(&e))
	}
	return phrase.Beside(parts...)
}
