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
	"arcdrift/drift/phrase"
)

// Alerts are the open cases, with how earlier ones turned out.
type Alerts interface {
	// Open lists the open cases with their texts.
	Open() []alert.Shown
	// Card is how the alerts about a part of the fleet turned out.
	Card(part drift.Part) alert.Card
	// Withheld lists the rules that are not sent, see [alert.Withheld].
	Withheld() []alert.Withheld
	// Acknowledge and Snooze answer an open case. What is wrong with an answer is a
	// *drift.Problem; any other error is the store's.
	Acknowledge(subject string, rule alert.RuleName, by string) error
	Silence(subject string, rule alert.RuleName, quiet alert.Silence) error
}

// theCase is one open case on the page.
type theCase struct {
	alert.Shown
	ID    string
	State advise.State
	// Rest and Full are the message, short and whole, without what the page says
	// anyhow: the headline and the cautions.
	Rest, Full string
	// Link, Why, Steps, Clears and Outcomes are of a machine only: what to check, in order,
	// the one rule that clears it, and a button for each outcome.
	Link, Clears string
	Why, Steps   []string
	Outcomes     []link
	Since, Sent  string
	Silenced     string
}

type alertsView struct {
	Cases    []theCase
	Card     alert.Card
	Rules    []ruleRow
	Withheld []string // rules that are not sent
	Rest     int      // open cases that are left out
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

// mostCases is how many open cases the page shows, the gravest first.
const mostCases = 200

// alerts shows the open cases, of one machine or all, what their messages say, and takes
// answers.
func (s *Server) alerts(w http.ResponseWriter, r *http.Request) {
	done := map[string]string{"acknowledge": "Acknowledged. No more messages are sent about it.", "silence": "Silenced until then."}[r.URL.Query().Get("done")]
	s.showAlerts(w, http.StatusOK, r.URL.Query().Get("machine"), Answered{Done: done})
}

func (s *Server) showAlerts(w http.ResponseWriter, status int, only string, answered Answered) {
	view := alertsView{Card: s.Alerts.Card(s.part), Withheld: s.withheld(), Answered: answered}
	b := s.Fleet.Board()
	open := s.openCases()
	if only != "" {
		open = slices.DeleteFunc(open, func(one alert.Shown) bool { return one.Subject != only })
	}
	view.Rest = max(0, len(open)-mostCases)
	for _, one := range open[:len(open)-view.Rest] {
		c := theCase{Shown: one, ID: caseID(&one), State: caseState(one.Rule), Since: s.wall(one.Opened), Sent: s.wall(one.SentAt)}
		c.Rest = strings.TrimSpace(strings.TrimPrefix(one.Short, one.What+"."))
		c.Full = strings.TrimSpace(strings.TrimPrefix(strings.TrimSuffix(one.Body, advise.CautionText()), one.What+"."))
		if one.Rule.OfMachine() {
			c.Link = machineLink(one.Subject)
			if m := b.find(one.Subject); m != nil {
				c.ask(m.Assessment, s.Now())
			}
		}
		if one.Silence != nil {
			c.Silenced = fmt.Sprintf("Silenced until %s by %s: %s", s.wall(one.Silence.Until), one.Silence.By, one.Silence.Reason)
		}
		view.Cases = append(view.Cases, c)
	}
	for _, rule := range view.Card.Rules {
		view.Rules = append(view.Rules, ruleRow{rule, rule.Rule.Word(), fmt.Sprintf("%d in 100", int(100*rule.Expected+1e-9))})
	}
	s.render(w, "alerts", page{Title: "Alerts", Here: "/alerts", Status: status, Body: view})
}

// mostWhy is how many reasons a card gives; the full message has them all.
const mostWhy = 3

// ask says what to check and offers a button for each outcome.
func (c *theCase) ask(a *advise.Assessment, now time.Time) {
	c.Steps, c.Clears = a.Steps(now), a.Clears()
	c.RequiresOpening = c.RequiresOpening || a.RequiresOpening() // a step may lead to the electrodes
	c.Full = strings.Replace(c.Full, c.Clears+"\n\n", "", 1)     // it stands in the card
	for _, reason := range a.Reasons {
		if reason != c.Clears && len(c.Why) < mostWhy {
			c.Why = append(c.Why, reason)
		}
	}
	to := func(word, path string, pairs ...string) {
		v := url.Values{"machine": {a.Machine}}
		for pair := range slices.Chunk(pairs, 2) {
			v.Set(pair[0], pair[1])
		}
		c.Outcomes = append(c.Outcomes, link{path + "?" + v.Encode(), word})
	}
	switch {
	case c.Rule == alert.MachineSilent:
		to("Log a calibration", "/log")
		return
	case a.TestsEnds():
		to("It passed with another cleaver", "/log", "passed", "true", "cleaver", anotherCleaver)
		to("It failed again with another cleaver", "/log", "passed", "false", "cleaver", anotherCleaver)
	default:
		to("The calibration passed", "/log", "passed", "true")
		to("The calibration failed", "/log", "passed", "false")
	}
	if !c.RequiresOpening {
		return
	}
	to("Worn: replaced", "/service", "action", "replaced", "finding", "worn")
	to("Dirty: cleaned", "/service", "action", "cleaned", "finding", "dirty")
	to("Inspected: fine", "/service", "action", "inspected", "finding", "fine")
	to("It was the cleaver", "/service", "action", "inspected", "finding", "cleaver")
}

// withheld says which rules are not sent, and what brings them back.
func (s *Server) withheld() []string {
	var out []string
	for _, one := range s.Alerts.Withheld() {
		out = append(out, one.String())
	}
	return out
}

// openCases are the open ones, the gravest first.
func (s *Server) openCases() []alert.Shown {
	open := s.Alerts.Open()
	rank := func(one alert.Shown) int { return slices.Index(advise.States(), caseState(one.Rule)) }
	slices.SortStableFunc(open, func(a, b alert.Shown) int { return rank(a) - rank(b) })
	return open
}

// caseID is the anchor of a case on the page.
func caseID(one *alert.Shown) string { return "case-" + one.Subject + "-" + string(one.Rule) }

// caseLink is the open case of a machine, as its own page shows it.
type caseLink struct{ What, Link, Since, Sent, Acknowledged string }

// caseOf finds the gravest open case of a machine; nil without one.
func (s *Server) caseOf(machine string) *caseLink {
	open := s.openCases()
	path := "/alerts"
	if len(open) > mostCases {
		path += "?" + url.Values{"machine": {machine}}.Encode()
	}
	for _, one := range open {
		if one.Subject != machine || !one.Rule.OfMachine() {
			continue
		}
		c := &caseLink{What: one.What, Link: path + "#" + url.PathEscape(caseID(&one)), Since: s.wall(one.Opened), Sent: s.wall(one.SentAt)}
		if one.Acknowledged != nil {
			c.Acknowledged = one.Acknowledged.By
		}
		return c
	}
	return nil
}

// caseState is the state whose shape and word stand for a rule.
func caseState(m alert.RuleName) advise.State {
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

// wall is a moment as the page writes it, "" for none.
func (s *Server) wall(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return phrase.Moment(t.In(s.Now().Location()))
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
		s.showAlerts(w, http.StatusBadRequest, "", Answered{Problem: phrase.Sentence(problem.Error()) + "."})
	default:
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showAlerts(w, http.StatusServiceUnavailable, "", Answered{NotKept: true})
	}
}

func (s *Server) answered(typed url.Values, do string) error {
	subject, rule, by := typed.Get("subject"), alert.RuleName(typed.Get("rule")), typed.Get("by")
	switch do {
	case "acknowledge":
		return s.Alerts.Acknowledge(subject, rule, by)
	case "silence":
		hours, err := strconv.ParseFloat(typed.Get("hours"), 64)
		if err != nil || !(hours > 0 && hours <= alert.LongestSilence.Hours()) {
			return &drift.Problem{Field: "hours", Value: typed.Get("hours"), Reason: fmt.Sprintf("must be hours from now, %.0f at most", alert.LongestSilence.Hours())}
		}
		until := s.Now().Add(time.Duration(hours * float64(time.Hour)))
		return s.Alerts.Silence(subject, rule, alert.Silence{By: by, Reason: typed.Get("reason"), Until: until})
	}
	return &drift.Problem{Field: "do", Value: do, Reason: "must be acknowledge or silence"}
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
	for _, d := range s.Spares(s.part) {
		row := depotRow{Spares: d, Name: or(d.Depot, "No depot stated"), Expected: fmt.Sprintf("%.1f", d.Expected), Held: phrase.Unknown}
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
	answer(w, http.StatusOK, append([]advise.Spares{}, s.Spares(s.part)...))
}
