package web

import (
	"html/template"
	"net/http"

	"arcdrift/agent/manual"
)

// helpView is a page of the manual.
type helpView struct {
	Title string
	HTML  template.HTML
	// Index marks the table of contents; Before and After are the neighbours of a
	// topic, nil at the ends.
	Index         bool
	Before, After *link
}

// routeHelp serves the manual to everybody: it holds nothing of the store, and who
// cannot sign in needs it most.
func (s *Server) routeHelp(mux *routes) {
	mux.open("GET /help", func(w http.ResponseWriter, _ *http.Request) {
		s.render(w, "help", page{Title: "Help", Here: "/help", Body: helpView{Title: "Help", HTML: template.HTML(s.manual.Index), Index: true}})
	})
	mux.open("GET /help/{topic}", s.helpTopic)
	mux.open("GET /api/v1/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, http.StatusOK, s.manual.OpenAPI)
	})
}

func (s *Server) helpTopic(w http.ResponseWriter, r *http.Request) {
	topic, found := s.manual.Topic(r.PathValue("topic"))
	if !found {
		s.lost(w, http.StatusNotFound, "No such help topic", "The manual has no topic "+r.PathValue("topic")+". The page /help lists all topics.")
		return
	}
	view := helpView{Title: topic.Title, HTML: template.HTML(topic.HTML)}
	for i, t := range s.manual.Topics {
		switch {
		case t.Name == topic.Name && i > 0:
			view.Before = helpLink(s.manual.Topics[i-1])
		case i > 0 && s.manual.Topics[i-1].Name == topic.Name:
			view.After = helpLink(t)
		}
	}
	s.render(w, "help", page{Title: topic.Title, Here: "/help", Body: view})
}

func helpLink(t manual.Topic) *link { return &link{"/help/" + t.Name, t.Title} }
