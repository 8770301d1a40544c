package web

import (
	"arcdrift/drift/phrase"
	"fmt"
	"net/http"
	"strings"
	"unicode/utf8"
)

// mostRefused is how many refusals the page shows.
const mostRefused = 100

type refusedView struct {
	Findings []string // about the store
	Total    int
	Shown    []refusedRow
}

type refusedRow struct {
	When, Machine, From, Problem, Raw string
	Link                              string
}

// refusedPage lists what was not taken: nothing that came is out of sight.
func (s *Server) refusedPage(w http.ResponseWriter, _ *http.Request) {
	latest, total, err := s.Records.Refused(mostRefused)
	if err != nil {
		s.fail(w, fmt.Errorf("web: refused records: %w", err))
		return
	}
	view := refusedView{Findings: s.Findings(), Total: total}
	for _, r := range latest {
		row := refusedRow{When: phrase.Moment(r.Last.In(s.Now().Location())), Machine: r.Machine, From: r.Via, Problem: r.Problem.Error(), Raw: legible(r.Raw, r.Size)}
		if r.Problem.Field == "" { // else it begins with the field's name
			row.Problem = phrase.Sentence(row.Problem)
		}
		if r.Machine != "" {
			row.Link = machineLink(r.Machine)
		}
		if r.Line > 0 {
			row.From += fmt.Sprintf(", line %d", r.Line)
		}
		if r.Times > 1 {
			row.From += fmt.Sprintf(", received %d times", r.Times)
		}
		view.Shown = append(view.Shown, row)
	}
	s.render(w, "refused", page{Title: "Refused records", Here: "/refused", Body: view})
}

// legible shows bytes that may be anything: what is no text as its numbers, the
// beginning only.
func legible(raw []byte, size int) string {
	const most = 600
	cut := raw[:min(len(raw), most)]
	text := string(cut)
	if !utf8.Valid(raw) || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' && r != '\r' }) {
		text = fmt.Sprintf("%q", cut)
	}
	if hidden := max(size, len(raw)) - len(cut); hidden > 0 {
		text += fmt.Sprintf(" … and %s bytes more", phrase.Integer(int64(hidden)))
	}
	return strings.ToValidUTF8(text, "\uFFFD")
}
