package web

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"slices"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

type benchView struct {
	ID, Machine                        string
	Choice                             machineChoice // where the machine is not known yet
	Found, Action, Finding, Left, When []tile
	Pair, Operator                     string
	Count                              entryField
	FoundBy, LeftBy                    entryField // the corrections the machine made
	Wrong                              mistakes
	NotSaved                           bool
}

// benchForm shows the page of the service bench: as found, work done, as left.
func (s *Server) benchForm(w http.ResponseWriter, r *http.Request) {
	s.showBench(w, r.URL.Query(), nil, http.StatusOK)
}

func (s *Server) showBench(w http.ResponseWriter, typed url.Values, problems []*drift.Problem, status int) {
	wrong := mistakesOf(units{}, problems...)
	v := benchView{
		ID: or(typed.Get("id"), rand.Text()), Machine: typed.Get("machine"), Wrong: wrong, NotSaved: status == http.StatusServiceUnavailable,
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
	if v.Machine == "" || wrong.At("machine") != "" {
		v.Machine, v.Choice = "", chooseMachine(s.machineNames(), v.Machine, wrong)
	}
	s.render(w, "bench", page{Title: "Log a service", Here: "/log", Field: true, Scripts: []string{"keypad.js", "send.js"}, Status: status, Body: v})
}

// correctionField asks for the correction that the machine made as found or as
// left.
func correctionField(typed url.Values, wrong mistakes, when string) entryField {
	f := numberFields(units{}, typed, nil, "power_correction_pct")[0]
	f.Name = when + "_correction_pct"
	f.Problem = wrong.At(f.Name)
	f.Value, f.Label, f.Hint = typed.Get(f.Name), "Correction made, as "+when, "if the machine shows one"
	return f
}

// benchRecords takes the form: a service and, where they were made, a
// calibration before and one after it, kept together or not at all.
func (s *Server) benchRecords(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	offers, problems := benchOffers(typed, s.happened(typed))
	if p := unknownMachine(s.machineNames(), typed); p != nil && len(problems) == 0 {
		problems = append(problems, p)
	}
	if len(problems) > 0 {
		s.showBench(w, typed, problems, http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showBench(w, typed, nil, http.StatusServiceUnavailable)
		return
	}
	saved := savedView{Machine: typed.Get("machine"), What: benchWords(offers), Undone: undone(offers), At: phrase.Clock(s.happened(typed))}
	if by := typed.Get("operator"); by != "" {
		saved.At += ", signed " + by
	}
	for _, receipt := range receipts {
		if receipt.Refused != nil {
			s.showBench(w, typed, []*drift.Problem{receipt.Refused}, http.StatusBadRequest)
			return
		}
		saved.Questions = append(saved.Questions, receipt.Questions...)
		saved.Conflict = saved.Conflict || receipt.Conflict
	}
	s.render(w, "saved", page{Title: "Saved", Here: "/log", Field: true, Status: http.StatusCreated, Body: saved})
}

// benchOffers are the records of one piece of work, a second apart so that their
// order is plain, and what is wrong with the form.
func benchOffers(typed url.Values, at time.Time) (offers []intake.Submission, problems []*drift.Problem) {
	add := func(suffix string, at time.Time, values url.Values, called map[string]string) {
		for _, name := range []string{"machine", "operator"} {
			values.Set(name, typed.Get(name))
		}
		values.Set("id", typed.Get("id")+suffix)
		values.Set("time", at.Format(time.RFC3339))
		record, wrong := decoded(values)
		offers = append(offers, intake.Submission{Raw: []byte(values.Encode()), Record: record, Via: "form"})
		for _, p := range wrong {
			if name := called[p.Field]; name != "" {
				p.Field = name
			}
			if !slices.ContainsFunc(problems, func(other *drift.Problem) bool { return other.Field == p.Field }) {
				problems = append(problems, p)
			}
		}
	}
	// Where it was checked, as found and as left are calibrations of their own.
	check := func(when string, at time.Time) {
		passed, correction := typed.Get(when), when+"_correction_pct"
		if passed == "" {
			return
		}
		v := url.Values{"type": {string(drift.TypeCalibration)}, "passed": {passed}, "trigger": {"electrode-service"}}
		if text := (units{}).toSI(typed).Get(correction); text != "" {
			v.Set("power_correction_pct", text)
		}
		add("-"+when, at, v, map[string]string{"passed": when, "power_correction_pct": correction})
	}
	check("found", at.Add(-time.Second))
	work := url.Values{"type": {string(drift.TypeService)}}
	for _, name := range []string{"action", "finding", "pair", "arc_count"} {
		work.Set(name, typed.Get(name))
	}
	add("-work", at, work, nil)
	check("left", at.Add(time.Second))
	return offers, problems
}

// benchWords say what was done and found.
func benchWords(offers []intake.Submission) string {
	var parts []string
	for i := range offers {
		e := drift.Entry{Record: offers[i].Record}
		word := typeWord(&e)
		if e.Service != nil && e.Service.Finding != "" {
			word += ", found " + foundWord(e.Service.Finding)
		}
		parts = append(parts, word)
	}
	return phrase.Beside(parts...)
}

// foundWord says what the bench found, as it is written within a sentence.
func foundWord(f drift.Finding) string {
	switch f {
	case drift.CleaverFault:
		return "the cleaver at fault"
	case drift.OtherFault:
		return "something else"
	}
	return string(f)
}

// undone is what an inspection found that is still to be answered, "" for nothing.
func undone(offers []intake.Submission) drift.Finding {
	for i := range offers {
		if s := offers[i].Record.Service; s != nil && s.Action == drift.Inspected && (s.Finding == drift.Worn || s.Finding == drift.Dirty) {
			return s.Finding
		}
	}
	return ""
}
