package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Alerts are the open cases, with how earlier ones turned out.
type Alerts interface {
	// Open lists the open cases with their texts.
	Open() []alert.Shown
	Card() alert.Card
	// Silenced lists the rules that have silenced themselves.
	Silenced() []alert.Silenced
	// TakeOn and Snooze answer an open case. What is wrong with an answer is a
	// *drift.Problem; any other error is the store's.
	TakeOn(subject string, matter alert.Matter, by string) error
	Snooze(subject string, matter alert.Matter, quiet alert.Snooze) error
}

// theCase is one open case on the page.
type theCase struct {
	alert.Shown
	ID    string
	State advise.State
	// Rest and Full are the message, short and whole, without what the page says
	// anyhow: the headline and the cautions.
	Rest, Full string
	// Link and Service are of a machine only.
	Link, Service string
	Since, Told   string
	Quiet         string
}

type alertsView struct {
	Cases   []theCase
	Touches bool
	Card    alert.Card
	Rules   []ruleRow
	Quiet   []string // rules that have silenced themselves
	Answered
}

// ruleRow is a rule of the card; Chance rounds down, so that what is not sent
// never seems to be right often enough.
type ruleRow struct {
	alert.CardRule
	Word, Chance string
}

// Answered is what became of an answer just given.
type Answered struct {
	Problem string
	Done    string
	NotKept bool
}

// alerts shows the open cases, what their messages say, and takes answers.
func (s *Server) alerts(w http.ResponseWriter, r *http.Request) {
	done := map[string]string{"take-on": "Taken on: nothing more is sent of it.", "snooze": "Quiet until then."}[r.URL.Query().Get("done")]
	s.showAlerts(w, http.StatusOK, Answered{Done: done})
}

func (s *Server) showAlerts(w http.ResponseWriter, status int, answered Answered) {
	view := alertsView{Card: s.Alerts.Card(), Quiet: s.quiet(), Answered: answered}
	for _, one := range s.openCases() {
		c := theCase{Shown: one, ID: caseID(&one), State: caseState(one.Matter), Since: s.wall(one.Opened), Told: s.wall(one.ToldAt)}
		c.Rest = strings.TrimSpace(strings.TrimPrefix(one.Short, one.What+"."))
		c.Full = strings.TrimSpace(strings.TrimPrefix(strings.TrimSuffix(one.Body, advise.CautionText()), one.What+"."))
		if one.Matter != alert.DoorSilent && one.Matter != alert.ChannelDead {
			c.Link = machineLink(one.Subject)
			c.Service = "/service?" + url.Values{"machine": {one.Subject}}.Encode()
		}
		if one.Quiet != nil {
			c.Quiet = fmt.Sprintf("Quiet until %s, %s: %s", s.wall(one.Quiet.Until), one.Quiet.By, one.Quiet.Reason)
		}
		view.Cases = append(view.Cases, c)
		view.Touches = view.Touches || one.Touches
	}
	for _, rule := range view.Card.Rules {
		view.Rules = append(view.Rules, ruleRow{rule, matterWord(rule.Matter), fmt.Sprintf("%d in 100", int(100*rule.Expected+1e-9))})
	}
	s.render(w, "alerts", page{Title: "Alerts", Here: "/alerts", Status: status, Body: view})
}

// quiet says which rules have silenced themselves, and what brings them back.
func (s *Server) quiet() []string {
	var out []string
	for _, one := range s.Alerts.Silenced() {
		out = append(out, one.String())
	}
	return out
}

// openCases are the open ones, the gravest first.
func (s *Server) openCases() []alert.Shown {
	open := s.Alerts.Open()
	rank := func(one alert.Shown) int { return slices.Index(advise.States(), caseState(one.Matter)) }
	slices.SortStableFunc(open, func(a, b alert.Shown) int { return rank(a) - rank(b) })
	return open
}

// caseID is where on the page a case stands.
func caseID(one *alert.Shown) string { return "case-" + one.Subject + "-" + string(one.Matter) }

// caseLink is the open case of a machine, as its own page tells of it.
type caseLink struct{ What, Link, Since, Told, Taken string }

// caseOf finds the gravest open case of a machine; nil without one.
func (s *Server) caseOf(machine string) *caseLink {
	for _, one := range s.openCases() {
		if one.Subject != machine || one.Matter == alert.DoorSilent || one.Matter == alert.ChannelDead {
			continue
		}
		c := &caseLink{What: one.What, Link: "/alerts#" + url.PathEscape(caseID(&one)), Since: s.wall(one.Opened), Told: s.wall(one.ToldAt)}
		if one.Taken != nil {
			c.Taken = one.Taken.By
		}
		return c
	}
	return nil
}

// matterWord is what a person reads for a matter.
func matterWord(m alert.Matter) string {
	switch m {
	case alert.MustStop:
		return "Stop"
	case alert.ElectrodesDue:
		return "Service soon"
	case alert.CheckFirst:
		return "Check first"
	default:
		return upperFirst(strings.ReplaceAll(string(m), "-", " "))
	}
}

// caseState is the state whose shape and word stand for a matter.
func caseState(m alert.Matter) advise.State {
	switch m {
	case alert.MustStop:
		return advise.Stop
	case alert.ElectrodesDue:
		return advise.ServiceSoon
	case alert.CheckFirst:
		return advise.CheckFirst
	default:
		return advise.NoData
	}
}

// wall is a moment as the page's clock tells it, "" for none.
func (s *Server) wall(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(s.Now().Location()).Format("Mon 2 Jan 15:04")
}

// answerAlert takes an answer to a case and shows the cases again.
func (s *Server) answerAlert(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	do := r.PostForm.Get("do")
	err := s.answered(r.PostForm, do)
	var problem *drift.Problem
	switch {
	case err == nil:
		http.Redirect(w, r, "/alerts?"+url.Values{"done": {do}}.Encode(), http.StatusSeeOther)
	case errors.As(err, &problem):
		s.showAlerts(w, http.StatusBadRequest, Answered{Problem: upperFirst(problem.Error()) + "."})
	default:
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showAlerts(w, http.StatusServiceUnavailable, Answered{NotKept: true})
	}
}

func (s *Server) answered(typed url.Values, do string) error {
	subject, matter, by := typed.Get("subject"), alert.Matter(typed.Get("matter")), typed.Get("by")
	switch do {
	case "take-on":
		return s.Alerts.TakeOn(subject, matter, by)
	case "snooze":
		hours, err := strconv.ParseFloat(typed.Get("hours"), 64)
		if err != nil || !(hours > 0 && hours <= alert.LongestSnooze.Hours()) {
			return &drift.Problem{Field: "hours", Value: typed.Get("hours"), Reason: fmt.Sprintf("must be hours from now, %.0f at most", alert.LongestSnooze.Hours())}
		}
		until := s.Now().Add(time.Duration(hours * float64(time.Hour)))
		return s.Alerts.Snooze(subject, matter, alert.Snooze{By: by, Reason: typed.Get("reason"), Until: until})
	}
	return &drift.Problem{Field: "do", Value: do, Reason: "must be take-on or snooze"}
}

// getAlerts answers the open cases, a JSON array.
func (s *Server) getAlerts(w http.ResponseWriter, _ *http.Request) {
	open := s.Alerts.Open()
	if open == nil {
		open = []alert.Shown{}
	}
	answer(w, http.StatusOK, open)
}

type sparesView struct {
	Depots []depotRow
}

type depotRow struct {
	advise.Spares
	Name, Expected, Held, Short string
}

// sparesPage says how many pairs each depot should hold.
func (s *Server) sparesPage(w http.ResponseWriter, _ *http.Request) {
	var view sparesView
	for _, d := range s.Spares() {
		row := depotRow{Spares: d, Name: or(d.Depot, "No depot named"), Expected: fmt.Sprintf("%.1f", d.Expected), Held: "not known"}
		if held, known := d.Held.Get(); known {
			row.Held = strconv.FormatInt(held, 10)
			if missing := int64(d.Hold95) - held; missing > 0 {
				row.Short = strconv.FormatInt(missing, 10)
			}
		}
		view.Depots = append(view.Depots, row)
	}
	s.render(w, "spares", page{Title: "Spare pairs", Here: "/spares", Body: view})
}

// getSpares answers what each depot should hold, a JSON array.
func (s *Server) getSpares(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, append([]advise.Spares{}, s.Spares()...))
}
