package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

type movedView struct {
	Machine  string
	Machines []string // to choose from
	Programs []string // of this machine, the one in use first; none where it has but one
	Program  string   // asked about, empty for the one in use
	Fields   []entryField
	Filled   string // where the values in the fields come from
	Units    units
	Other    string // link with the other units
	Wrong    mistakes
	Answer   *verdict
}

// verdict is the answer in the order a cold reader needs it.
type verdict struct {
	Kind                           advise.Answer
	Word, Reason, Chance, Evidence string
	More                           []string
	Numbers                        []fact
	Machine                        string
	WetCaution, Calibrates         bool
	RequiresOpening                bool   // somebody is sent to the electrodes
	Same                           string // link that says the place is the same; "" where that is not asked
	Unknown                        bool   // no record names the machine
}

// moved is the crew lead's question. It changes nothing, so it is a link that
// can be kept: the form comes back filled in, the answer above it.
func (s *Server) moved(w http.ResponseWriter, r *http.Request) {
	u := unitsOf(w, r)
	q := r.URL.Query()
	q.Del(unitsCookie)
	same := q.Get(samePlace) != ""
	q.Del(samePlace)
	machine := q.Get("machine")
	if machine == "" {
		machine = recall(r, machineCookie)
	}
	view := movedView{Machine: machine, Machines: s.machineNames(), Programs: s.programsOf(machine), Program: q.Get("program"), Units: u}
	status := http.StatusOK
	typed := q
	if asks(q) {
		answer, problem, err := s.verdict(u, q, same)
		if err != nil {
			s.fail(w, err)
			return
		}
		view.Answer, view.Wrong = answer, mistakesOf(u, problem)
		if problem != nil {
			status = http.StatusBadRequest
		} else {
			answer.Unknown = !slices.Contains(view.Machines, answer.Machine)
		}
	} else if last, ok := s.lastAirOf(machine); ok {
		typed = airValues(&last, u)
		view.Filled = "Filled in from the last record, " + phrase.Moment(last.When()) + ". Change what is different here."
	}
	view.Fields = numberFields(u, typed, view.Wrong, "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa", "machine_temperature_c")
	other := url.Values{"machine": {machine}, unitsCookie: {"us"}}
	if u.American {
		other.Set(unitsCookie, "si")
	}
	view.Other = "/moved?" + other.Encode()
	title := "Moved?"
	if view.Answer != nil {
		title = view.Answer.Word
	}
	s.render(w, "moved", page{Title: title, Here: "/moved", Field: true, Scripts: []string{"keypad.js", "along.js"}, Status: status, Body: view})
}

// asks says whether the form was sent.
func asks(q url.Values) bool {
	for name := range q {
		if name != "machine" && name != "program" {
			return true
		}
	}
	return false
}

// samePlace is the part of a link that says that unchanged values are meant.
const samePlace = "same"

// verdict asks the fleet; a *drift.Problem is for the person who asked to correct. A form filled in
// from the last record and sent unchanged earns no "no need": it is asked about.
func (s *Server) verdict(u units, q url.Values, same bool) (*verdict, *drift.Problem, error) {
	move, err := wire.MoveValues(u.toSI(q))
	var a advise.MoveAnswer
	if err == nil {
		a, err = s.move(move)
	}
	ask := false
	if err == nil && !same && a.Answer == advise.NoNeed && a.Action == advise.None && a.CheckDue == nil {
		var site advise.Site
		site, err = s.Fleet.Site(a.Machine)
		ask = site.SameAir(move)
	}
	var problem *drift.Problem
	switch {
	case errors.As(err, &problem):
		return nil, problem, nil
	case err != nil:
		return nil, nil, fmt.Errorf("web: moved: %w", err)
	}
	v := wordVerdict(&a, u)
	if ask {
		q.Set(samePlace, "yes")
		v.Kind, v.Word, v.Calibrates, v.Chance = advise.CannotTell, "Are you still in the same place?", false, ""
		v.Reason = "These are the values of the last calibration, unchanged. If you have moved, enter the values of this place below."
		v.More, v.Same = nil, "/moved?"+q.Encode()
		q.Del(samePlace)
	}
	return v, nil, nil
}

func (s *Server) lastAirOf(machine string) (drift.Entry, bool) {
	return lastAir(s.recentOf(machine))
}

// recentRecords is how many records a form looks through, however long a history
// is: weeks of a machine that reports its arc count every half hour.
const recentRecords = 1000

// recentOf are the machine's latest records, to fill in a form: none where they
// cannot be read.
func (s *Server) recentOf(machine string) []drift.Entry {
	if machine == "" {
		return nil
	}
	recent, err := s.Records.Latest(machine, recentRecords)
	if err != nil {
		s.Log.Error("cannot read the latest records for a form", "machine", machine, "error", err)
		return nil
	}
	return recent
}

// programsOf are the programs a machine was calibrated with, the one in use first;
// none where there are not several.
func (s *Server) programsOf(machine string) (out []string) {
	recent := s.recentOf(machine)
	drift.Order(recent)
	for _, e := range slices.Backward(drift.Correct(recent)) {
		if e.Calibration != nil && e.Program != "" && !slices.Contains(out, e.Program) {
			out = append(out, e.Program)
		}
	}
	if len(out) < 2 {
		return nil
	}
	return out
}

func wordVerdict(a *advise.MoveAnswer, u units) *verdict {
	v := &verdict{Kind: a.Answer, Word: a.Word(), Evidence: a.Evidence.Word(), Machine: a.Machine, Calibrates: a.Answer != advise.NoNeed || a.CheckDue != nil, RequiresOpening: a.RequiresOpening()}
	v.WetCaution = a.Answer == advise.Wait
	if a.Answer == advise.NoNeed && (v.RequiresOpening || a.CheckDue != nil) {
		v.Kind = advise.CannotTell
	}
	for i, reason := range a.Reasons {
		if i == 0 {
			v.Reason = u.say(reason)
		} else {
			v.More = append(v.More, u.say(reason))
		}
	}
	if p, ok := a.ProbabilityOut.Get(); ok && a.Answer != advise.Wait { // once it is dry, ask again
		v.Chance = phrase.Sentence(phrase.Chance(p)) + " attempts would be out of tolerance."
	}
	dew := ""
	if point, ok := a.DewPoint.Get(); ok {
		dew = u.say(phrase.Quantity(point, "°C"))
	}
	v.Numbers = numbersOf(a, dew)
	return v
}

func numbersOf(a *advise.MoveAnswer, dew string) []fact {
	facts := []fact{{"Expected change of required power", pct(a.ExpectedShift), plusMinus(a.SD)}}
	if dew != "" {
		facts = append(facts, fact{"Dew point of this air", dew, "water condenses on a machine colder than this"})
	}
	if c := a.Cost; c.OutMinutes > 0 {
		facts = append(facts, fact{"Recalibrate above", phrase.Chance(c.CheckMinutes / c.OutMinutes),
			fmt.Sprintf("a check costs %s, being out costs %s; both are settings", advise.Minutes(c.CheckMinutes), advise.Minutes(c.OutMinutes))})
	}
	return facts
}

// machineNames are the machines to choose from, by name.
func (s *Server) machineNames() []string {
	machines, _ := s.Fleet.Board()
	set := map[string]bool{}
	for i := range machines {
		set[machines[i].Machine] = true
	}
	return namesOf(set)
}
