package server

import (
	"fmt"
	"strings"
	"time"

	"arcdrift/agent/metrics"
	"arcdrift/drift"
)

// facts is what one scrape tells.
func (s *Server) facts() metrics.Facts {
	board, version := s.mind.Board()
	out := metrics.Facts{Records: s.door.seen(), Read: version > 0, Ready: s.Ready() == nil}
	for i := range board {
		out.Machines = append(out.Machines, board[i].Assessment)
	}
	if stats, err := s.store.Stats(); err == nil {
		out.StoreBytes = stats.Size
		s.links(&out, stats.Seq)
	}
	out.Spares = s.spares.of(s.mind.Snapshot())
	if report, known := s.mind.OpenLookBacks(); known {
		open, oldest := report.OpenSpans()
		out.LookBacksOpen, out.LookBackOldest = drift.Some(open), oldest
	}
	s.alerts.Facts(&out)
	return out
}

// links adds how the connections to elsewhere do; last is the number of the last
// record kept.
func (s *Server) links(f *metrics.Facts, last uint64) {
	if s.outside != nil {
		f.Links = append(f.Links, metrics.Link{Name: "broker", Up: s.outside.Ready() == nil})
	}
	if s.hub == nil {
		return
	}
	now, err := s.hub.Status()
	if err != nil {
		return // the store cannot be read; its own metrics say so
	}
	f.Links = append(f.Links, metrics.Link{Name: "hub", Up: now.Up})
	f.Forward = &metrics.Forward{Waiting: last - min(now.Sent, last), Refused: now.Refused}
	if !now.Oldest.IsZero() {
		f.Forward.Oldest = max(s.now().Sub(now.Oldest), 0).Seconds()
	}
}

// broken are the connections to elsewhere that do not stand, and why, in sentences
// for the board.
func (s *Server) broken() []string {
	var out []string
	if s.outside != nil {
		if err := s.outside.Ready(); err != nil {
			out = append(out, upperFirst(err.Error())+".")
		}
	}
	if s.hub == nil {
		return out
	}
	now, err := s.hub.Status()
	if err != nil || now.Up || now.Why == "" {
		return out
	}
	waits := ""
	if !now.Oldest.IsZero() {
		waits = fmt.Sprintf(" The oldest record that waits for it came %s ago.", s.now().Sub(now.Oldest).Round(time.Minute))
	}
	return append(out, fmt.Sprintf("The hub %s takes nothing: %s. All is kept here and sent later.%s", s.config.Hub.Name(), now.Why, waits))
}

// upperFirst makes a sentence of what was written to stand behind another.
func upperFirst(text string) string { return strings.ToUpper(text[:1]) + text[1:] }
