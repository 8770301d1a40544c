package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// RulesWeeks is how far back the rules page goes.
const RulesWeeks = 8

// RulesSince is the beginning of that time.
func RulesSince(now time.Time) time.Time { return now.AddDate(0, 0, -7*RulesWeeks) }

// owed works out how the rules were kept, once at a time, and keeps it for the
// hour: in a large fleet that takes a while.
type owed struct {
	*owedOnce
	// show is what somebody sees of it, nil for all.
	show func(all []advise.Owed) []advise.Owed
}

// shownAs is the same for somebody who sees a part of it.
func (o *owed) shownAs(show func(all []advise.Owed) []advise.Owed) *owed {
	return &owed{o.owedOnce, show}
}

// owedOnce does the work for everybody.
type owedOnce struct {
	work func(since time.Time) ([]advise.Owed, error)

	mu   sync.Mutex
	last *owedWork
}

type owedWork struct {
	of   time.Time
	done chan struct{}
	all  []advise.Owed
	err  error
}

// of returns what was owed in the weeks before the hour, and whether that was
// there when ctx ended at the latest.
func (o *owed) of(ctx context.Context, now time.Time) (all []advise.Owed, there bool, err error) {
	work := o.begun(now.Truncate(time.Hour))
	select {
	case <-work.done:
		if o.show != nil {
			return o.show(work.all), true, work.err
		}
		return work.all, true, work.err
	case <-ctx.Done():
		return nil, false, nil
	}
}

// begun is the work on that hour, begun unless another is going on.
func (o *owedOnce) begun(hour time.Time) *owedWork {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last != nil {
		select {
		case <-o.last.done:
			if o.last.of.Equal(hour) && o.last.err == nil {
				return o.last
			}
		default:
			return o.last
		}
	}
	work := &owedWork{of: hour, done: make(chan struct{})}
	o.last = work
	go func() {
		defer close(work.done)
		if work.all, work.err = o.work(RulesSince(hour)); work.err != nil {
			work.err = fmt.Errorf("web: how the rules were kept: %w", work.err)
		}
	}()
	return work
}

type rulesView struct {
	By      []choice
	Heading string
	Rows    []rulesRow
	Weeks   int
	Waiting bool
}

type rulesRow struct {
	Week, Name, BeforeFirst, AfterService, AfterMove string
}

// byOf is the way to group in a link, by site unless it says model.
func byOf(q url.Values) (string, *drift.Problem) {
	switch by := q.Get("by"); by {
	case "", advise.BySite:
		return advise.BySite, nil
	case advise.ByModel:
		return by, nil
	default:
		return "", &drift.Problem{Field: "by", Value: by, Reason: "must be site or model"}
	}
}

// rules is the page of how the rules of the trade were kept, by week and by site
// or model, never by person.
func (s *Server) rules(w http.ResponseWriter, r *http.Request) {
	by, problem := byOf(r.URL.Query())
	if problem != nil {
		s.lost(w, http.StatusBadRequest, "Invalid grouping", problem.Error()+".")
		return
	}
	waiting, stop := context.WithTimeout(r.Context(), patience)
	defer stop()
	all, there, err := s.owed.of(waiting, s.Now())
	if err != nil {
		s.fail(w, err)
		return
	}
	view := rulesView{
		Heading: phrase.Sentence(by), Weeks: RulesWeeks, Waiting: !there,
		By: []choice{{"site", "/rules?by=site", by == advise.BySite}, {"model", "/rules?by=model", by == advise.ByModel}},
	}
	for _, row := range advise.KeptBy(by, all) {
		view.Rows = append(view.Rows, rulesRow{row.Week, advise.Unnamed(row.Name), row.BeforeFirst.String(), row.AfterService.String(), row.AfterMove.String()})
	}
	tag := ""
	if view.Waiting {
		tag = partial
	}
	s.render(w, "rules", page{Title: "How the rules are followed", Here: "/rules", Tag: tag, Body: view})
}

// getRules answers the same, a JSON array, the newest week first.
func (s *Server) getRules(w http.ResponseWriter, r *http.Request) {
	by, problem := byOf(r.URL.Query())
	if problem != nil {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	waiting, stop := context.WithTimeout(r.Context(), scriptPatience)
	defer stop()
	all, there, err := s.owed.of(waiting, s.Now())
	switch {
	case err != nil:
		s.fail(w, err)
	case !there:
		w.Header().Set("Retry-After", retryAfter)
		refuse(w, http.StatusServiceUnavailable, &drift.Problem{Reason: "is still being calculated: try again in a moment"})
	default:
		answer(w, http.StatusOK, advise.KeptBy(by, all))
	}
}
