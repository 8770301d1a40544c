// Package web is the HTTP intake, interface and pages: it turns requests into records and
// questions, and answers into JSON and pages. It holds no rule of its own: what
// is valid is drift's, what is kept is intake's, what a machine's state is and
// why is advise's.
//
// Reading order: server.go (what it needs, the routes, the checks of a request), api.go and
// records.go (the interface for programs), page.go (how a page is rendered),
// then one file per page with its view beside it: board.go, machine.go, moved.go,
// log.go, bench.go, morning.go, refused.go. chart.go and trend.go draw;
// words.go holds every word that a state, an age or a chance is given.
package web
