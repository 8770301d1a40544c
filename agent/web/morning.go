package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// needs is one machine of the morning list.
type needs struct {
	Machine, Link, Where, Next, Why string
	State                           advise.State
	Age                             ageView
	New                             bool
}

type morningView struct {
	Day             string
	Summary         string
	Groups          []needsGroup
	Rest            int
	Doubted         []string // splices that wait for a decision
	Confirm         []confirmView
	MoreConfirm     int      // machines with questions that are not shown
	First           string   // how many must be calibrated before the first splice
	Withheld        []string // alert rules that are not sent
	RequiresOpening bool     // somebody will open a machine today
	Waiting         bool     // the changes are still being calculated
}

// confirmView is a machine with the questions that its records leave open.
type confirmView struct {
	Machine, Link string
	Asks          []askView
}

// mostInGroup is how many machines of a state the page shows. The text has all.
const mostInGroup = 200

// mostConfirm is how many machines with questions the list shows.
const mostConfirm = 20

type needsGroup struct {
	State    advise.State
	Word     string
	Machines []needs
	// All is how many there are, Rest how many of them the page leaves out; Link has all.
	All, Rest int
	Link      string
}

// morning is the list for half past six: who must not leave, who needs the
// bench, who is silent; new since yesterday first.
func (s *Server) morning(w http.ResponseWriter, r *http.Request) {
	view, err := s.morningView(r.Context(), s.before.patience)
	if err != nil {
		s.fail(w, err)
		return
	}
	for i := range view.Groups {
		g := &view.Groups[i]
		g.Machines = g.Machines[:min(g.All, mostInGroup)]
		g.Rest = g.All - len(g.Machines)
	}
	tag := ""
	if view.Waiting {
		tag = partial
	}
	s.render(w, "morning", page{Title: "Morning list", Here: "/morning", Tag: tag, Body: view})
}

// scriptPatience is how long the text waits for what is new: it does not come a
// second time, and must be written before writeTime ends.
const scriptPatience = 40 * time.Second

// morningText is the same list as plain text, to mail or to read aloud.
func (s *Server) morningText(w http.ResponseWriter, r *http.Request) {
	view, err := s.morningView(r.Context(), scriptPatience)
	if err != nil {
		s.fail(w, err)
		return
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", view.Day, view.Summary)
	for _, line := range slices.Concat(view.Withheld, []string{view.First}) {
		if line != "" {
			fmt.Fprintln(&b, strings.ReplaceAll(line, ". ", ".\n"))
		}
	}
	if view.Waiting {
		b.WriteString("The changes since yesterday are still being calculated. Ask again in a minute.\n")
	}
	for _, g := range view.Groups {
		fmt.Fprintf(&b, "\n%s\n", strings.ToUpper(g.Word))
		for _, m := range g.Machines {
			mark := ""
			if m.New {
				mark = " NEW"
			}
			fmt.Fprintf(&b, "  %s%s  %s\n", m.Machine, mark, m.Next)
			for _, line := range []string{m.Why, m.Where, "last record " + or(m.Age.Text, "never")} {
				if line != "" {
					fmt.Fprintf(&b, "      %s\n", line)
				}
			}
		}
	}
	for i, line := range view.Doubted {
		if i == 0 {
			b.WriteString("\nSPLICES\n")
		}
		fmt.Fprintln(&b, "  "+strings.ReplaceAll(line, ". ", ".\n  "))
	}
	for i, c := range view.Confirm {
		if i == 0 {
			b.WriteString("\nRECORDS TO CONFIRM\n")
		}
		for _, ask := range c.Asks {
			fmt.Fprintf(&b, "  %s  %s\n", c.Machine, strings.ReplaceAll(ask.Text, ". ", ".\n      "))
		}
	}
	if view.RequiresOpening {
		b.WriteString("\nBefore anyone opens, cleans or replaces electrodes:\n- " + strings.Join(advise.Cautions(), "\n- ") + "\n")
	}
	plain(w, http.StatusOK, b.String())
}

// morningView does not keep who must not leave the yard waiting for what is new:
// that follows.
func (s *Server) morningView(ctx context.Context, patience time.Duration) (*morningView, error) {
	now := s.Now()
	waiting, stop := context.WithTimeout(ctx, patience)
	defer stop()
	before, there, err := s.before.states(waiting, now)
	if err != nil {
		return nil, err
	}
	machines := s.Fleet.Board().machines()
	view := &morningView{Day: phrase.Day(now) + " " + now.Format("2006") + ", " + phrase.Clock(now), Waiting: !there}
	first := 0
	byState := map[advise.State][]needs{}
	for i := range machines {
		m := &machines[i]
		view.confirm(m)
		if m.State == advise.Fit {
			view.Rest++
			if m.Due != nil {
				first++
			}
			continue
		}
		row := rowOf(m, now)
		one := needs{Machine: row.Machine, Link: row.Link, Where: row.Where, Next: row.Next, Why: row.Why, State: row.State, Age: row.Age, New: there && before[m.Machine] != m.State}
		byState[m.State] = append(byState[m.State], one)
		view.RequiresOpening = view.RequiresOpening || m.RequiresOpening()
	}
	counts := []string{}
	for _, state := range advise.States() {
		if list := byState[state]; len(list) > 0 {
			view.Groups = append(view.Groups, needsGroup{State: state, Word: phrase.State(state), Machines: newFirst(list), All: len(list), Link: filter{period: period{Days: defaultDays}, State: state}.link()})
			counts = append(counts, fmt.Sprintf("%d %s", len(list), phrase.Code(state)))
		}
	}
	view.Withheld, view.Doubted = s.withheld(), s.doubtedLines()
	if first > 0 {
		view.First = "Of the machines that are fit, " + phrase.Integer(first) + " must be calibrated before the first splice."
	}
	view.Summary = phrase.Count(len(machines), "machine") + ": " + strings.Join(append(counts, fmt.Sprintf("%d fit", view.Rest)), ", ") + "."
	return view, nil
}

// confirm adds the questions about the records of a machine: possible repeats, odd
// clocks, names that look alike.
func (v *morningView) confirm(m *Machine) {
	asks, _ := asksOf(m.Assessment)
	switch {
	case len(asks) == 0:
	case len(v.Confirm) == mostConfirm:
		v.MoreConfirm++
	default:
		v.Confirm = append(v.Confirm, confirmView{m.Machine, machineLink(m.Machine), asks})
	}
}

func newFirst(list []needs) []needs {
	var fresh, known []needs
	for _, m := range list {
		if m.New {
			fresh = append(fresh, m)
		} else {
			known = append(known, m)
		}
	}
	return append(fresh, known...)
}
