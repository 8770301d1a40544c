package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/compare"
	"arcdrift/drift/phrase"
)

// compareView is the page that says which groups do worse.
type compareView struct {
	By      []choice
	Title   string
	Tables  []compareTable
	Worse   []compare.Group // of all groupings
	Edges   []edgeRow
	Rules   []string
	Limits  []string
	Days    int
	Waiting bool
	More    int // groups that are not shown
}

type compareTable struct {
	Title, Relevant string
	Rows            []compareRow
}

type compareRow struct {
	Name, Link, Versus, Behind, Verdict, Class, Chance string
}

// edgeRow is the life of a cleaver.
type edgeRow struct {
	compare.CleaverLife
	Found, Left string
}

// mostCompared is how many groups of a table the page shows, the likeliest to be worse
// first, and how many cleavers.
const mostCompared = 60

// groupingOf is the grouping that a link asks for, by cleaver unless it says another.
func groupingOf(q url.Values) (compare.By, *drift.Problem) {
	by := compare.By(q.Get("by"))
	switch {
	case by == "":
		return compare.ByCleaver, nil
	case slices.Contains(compare.Bys(), by):
		return by, nil
	}
	return "", &drift.Problem{Field: "by", Value: string(by), Reason: "must be cleaver, lot, model, site, machine or service"}
}

// compare is the page that compares cleavers, lots, models, sites, machines and places of
// service, never people.
func (s *Server) compare(w http.ResponseWriter, r *http.Request) {
	by, problem := groupingOf(r.URL.Query())
	if problem != nil {
		s.lost(w, http.StatusBadRequest, "Invalid grouping", problem.Error()+".")
		return
	}
	waiting, stop := context.WithTimeout(r.Context(), patience)
	defer stop()
	report, there, err := s.compared.soon(waiting, s.Now())
	if err != nil {
		s.fail(w, err)
		return
	}
	view := compareView{Title: by.Title(), Rules: report.Rules, Limits: report.Limits, Days: compare.Days, Waiting: !there}
	for _, one := range compare.Bys() {
		view.By = append(view.By, choice{one.Title(), "/compare?by=" + string(one), one == by})
	}
	tag := ""
	if view.Waiting {
		tag = partial
	}
	view.show(&report, by)
	if by == compare.ByCleaver {
		for _, c := range report.Cleavers[:min(len(report.Cleavers), mostCompared)] {
			view.Edges = append(view.Edges, s.edge(c))
		}
		view.More += len(report.Cleavers) - len(view.Edges)
	}
	s.render(w, "compare", page{Title: "Compare", Here: "/compare", Tag: tag, Body: view})
}

func (v *compareView) show(report *compare.Report, by compare.By) {
	for i := range report.Groups {
		g := &report.Groups[i]
		if g.Verdict == compare.Worse {
			v.Worse = append(v.Worse, *g)
		}
		if g.By != by {
			continue
		}
		if n := len(v.Tables); n == 0 || v.Tables[n-1].Title != g.Outcome.Title() {
			v.Tables = append(v.Tables, compareTable{Title: g.Outcome.Title(), Relevant: g.Outcome.Relevant()})
		}
		t := &v.Tables[len(v.Tables)-1]
		if len(t.Rows) == mostCompared {
			v.More++
			continue
		}
		row := compareRow{Name: g.Name, Versus: g.Versus(), Behind: g.Behind(), Verdict: g.Verdict.Word(), Class: string(g.Verdict), Chance: phrase.Chance(g.Chance)}
		if g.By == compare.ByMachine {
			row.Link = machineLink(g.Name)
		}
		t.Rows = append(t.Rows, row)
	}
}

// edge is the life of a cleaver as the page shows it.
func (s *Server) edge(c compare.CleaverLife) edgeRow {
	row := edgeRow{CleaverLife: c, Found: "not yet", Left: "cannot tell"}
	if at, found := c.LastBlunt.Get(); found {
		row.Found = phrase.Date(at.In(s.Now().Location()))
	}
	if c.Left != nil {
		row.Left = c.Left.Words()
	}
	return row
}

// getCompare answers the same for all groupings, an object.
func (s *Server) getCompare(w http.ResponseWriter, r *http.Request) {
	waiting, stop := context.WithTimeout(r.Context(), scriptPatience)
	defer stop()
	report, there, err := s.compared.soon(waiting, s.Now())
	switch {
	case err != nil:
		s.fail(w, err)
	case !there:
		w.Header().Set("Retry-After", retryAfter)
		refuse(w, http.StatusServiceUnavailable, &drift.Problem{Reason: "is still being calculated: try again in a moment"})
	default:
		answer(w, http.StatusOK, report)
	}
}
