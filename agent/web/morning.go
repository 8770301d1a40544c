package web

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// needs is one machine of the morning list.
type needs struct {
	Machine, Link, Where, Next, Why string
	State                           advise.State
	Age                             ageView
	New                             bool
}

type morningView struct {
	Day     string
	Summary string
	Groups  []needsGroup
	Rest    int
	Touches bool // somebody will open a machine today
}

type needsGroup struct {
	State    advise.State
	Word     string
	Machines []needs
}

// morning is the list for half past six: who must not leave, who needs the
// bench, who is silent; new since yesterday first.
func (s *Server) morning(w http.ResponseWriter, _ *http.Request) {
	view, err := s.morningView()
	if err != nil {
		s.fail(w, err)
		return
	}
	s.render(w, "morning", page{Title: "Morning list", Here: "/morning", Body: view})
}

// morningText is the same list as plain text, to mail or to read aloud.
func (s *Server) morningText(w http.ResponseWriter, _ *http.Request) {
	view, err := s.morningView()
	if err != nil {
		s.fail(w, err)
		return
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", view.Day, view.Summary)
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
	if view.Touches {
		b.WriteString("\nBefore anybody opens, cleans or replaces electrodes:\n- " + strings.Join(advise.Cautions(), "\n- ") + "\n")
	}
	plain(w, http.StatusOK, b.String())
}

func (s *Server) morningView() (*morningView, error) {
	now := s.Now()
	machines, _ := s.Fleet.Board()
	before, err := s.Fleet.AssessAt("", drift.Some(now.Add(-24*time.Hour)), drift.Opt[time.Time]{})
	if err != nil {
		return nil, fmt.Errorf("web: the fleet a day ago: %w", err)
	}
	yesterday := make(map[string]advise.State, len(before))
	for _, a := range before {
		yesterday[a.Machine] = a.State
	}
	view := &morningView{Day: now.Format("Monday 2 January 2006, 15:04")}
	byState := map[advise.State][]needs{}
	for i := range machines {
		m := &machines[i]
		if m.State == advise.Fit {
			view.Rest++
			continue
		}
		row := rowOf(m, now)
		one := needs{Machine: row.Machine, Link: row.Link, Where: row.Where, Next: row.Next, Why: row.Why, State: row.State, Age: row.Age, New: yesterday[m.Machine] != m.State}
		byState[m.State] = append(byState[m.State], one)
		view.Touches = view.Touches || m.Touches()
	}
	said := []string{}
	for _, state := range advise.States() {
		if list := byState[state]; len(list) > 0 {
			view.Groups = append(view.Groups, needsGroup{State: state, Word: stateWord(state), Machines: newFirst(list)})
			said = append(said, fmt.Sprintf("%d %s", len(list), strings.ToLower(stateWord(state))))
		}
	}
	view.Summary = plural(len(machines), "machine", "machines") + ": " + strings.Join(append(said, fmt.Sprintf("%d fit", view.Rest)), ", ") + "."
	return view, nil
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
