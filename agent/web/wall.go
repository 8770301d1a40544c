package web

import (
	"fmt"
	"net/http"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// mostOnWall is how many machines the screen shows. Its text is as high as reading from
// 4 m takes: see "Wall screen" in style.css.
const mostOnWall = 6

type wallView struct {
	Counts []stateCount
	Total  int
	Rows   []boardRow
	Rest   string
	Empty  string
	Newest ageView
	At     string
	Depot  string
	Depots []choice
}

// wallPage is a screen in a depot: how many machines are in which state, and who needs
// somebody. It is read from far and nobody touches it.
func (s *Server) wallPage(w http.ResponseWriter, r *http.Request) {
	b := s.Fleet.Board()
	tag := s.tag(b.version)
	if unchanged(w, r, tag) {
		return
	}
	s.render(w, "wall", page{Title: "Wall screen", Here: "/wall", Tag: tag, Wall: true, Body: s.wallView(b, r.URL.Query().Get("depot"))})
}

func (s *Server) wallView(b *Board, depot string) wallView {
	now := s.Now()
	passes := b.passing(filter{Depot: depot})
	counts := b.count(passes)
	view := wallView{Depot: depot, At: phrase.Clock(now), Total: counts.all()}
	for _, m := range b.first(mostOnWall, passes) {
		view.Rows = append(view.Rows, rowOf(m, now))
	}
	if rest := counts.needy() - len(view.Rows); rest > 0 {
		view.Rest = fmt.Sprintf("and %s more", phrase.Count(rest, "machine"))
	}
	if newest := b.newest(passes, now); !newest.IsZero() {
		view.Newest = ageOf(drift.Some(newest), now)
	}
	for _, state := range advise.States() {
		view.Counts = append(view.Counts, stateCount{State: state, Word: phrase.State(state), Count: counts.of(state)})
	}
	view.Depots = append(view.Depots, choice{"all depots", "/wall", depot == ""})
	for _, name := range b.columns().depots.named() {
		view.Depots = append(view.Depots, choice{name, "/wall?" + depotQuery(name), name == depot})
	}
	switch {
	case s.reading():
		view.Empty = "The agent is still reading its records."
	case view.Total == 0:
		view.Empty = "No machine."
	case counts.needy() == 0:
		view.Empty = "No machine needs anybody."
	}
	return view
}
