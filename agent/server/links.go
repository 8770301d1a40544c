package server

import (
	"fmt"
	"strings"
	"time"

	"arcdrift/agent/forward"
	"arcdrift/agent/metrics"
	"arcdrift/agent/mqtt"
)

// links are the connections to other computers.
type links struct {
	outside *mqtt.Client       // nil when no broker is to be joined
	hub     *forward.Forwarder // nil when nothing is forwarded
	hubName string
	now     func() time.Time
}

// facts adds the state of the connections; last is the number of the last record
// stored.
func (l *links) facts(f *metrics.Facts, last uint64) {
	if l.outside != nil {
		f.Links = append(f.Links, metrics.Link{Name: "broker", Up: l.outside.Ready() == nil})
	}
	if l.hub == nil {
		return
	}
	now, err := l.hub.Status()
	if err != nil {
		return // the store cannot be read; its own metrics say so
	}
	f.Links = append(f.Links, metrics.Link{Name: "hub", Up: now.Up})
	f.Forward = &metrics.Forward{Waiting: last - min(now.Sent, last), Refused: now.Refused}
	if !now.Oldest.IsZero() {
		f.Forward.Oldest = max(l.now().Sub(now.Oldest), 0).Seconds()
	}
}

// broken lists the connections that are down, and why, in sentences for the board.
func (l *links) broken() []string {
	var out []string
	if l.outside != nil {
		if err := l.outside.Ready(); err != nil {
			out = append(out, upperFirst(err.Error())+".")
		}
	}
	if l.hub == nil {
		return out
	}
	now, err := l.hub.Status()
	if err != nil || now.Up || now.Why == "" {
		return out
	}
	waits := ""
	if !now.Oldest.IsZero() {
		waits = fmt.Sprintf(" The oldest record that waits for it came %s ago.", l.now().Sub(now.Oldest).Round(time.Minute))
	}
	return append(out, fmt.Sprintf("The hub %s does not take records: %s. They are kept here and sent later.%s", l.hubName, now.Why, waits))
}

// upperFirst makes a sentence of a text that usually follows another.
func upperFirst(text string) string { return strings.ToUpper(text[:1]) + text[1:] }
