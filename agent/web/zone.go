package web

import (
	"time"

	"arcdrift/drift"
)

// inZoneOf is the server with its clock at the machine's place: a page about one machine
// has one time zone, that of the machine where a setup states it, else the agent's.
func (s *Server) inZoneOf(machine string) *Server {
	if machine == "" {
		return s
	}
	site, err := s.Fleet.Site(machine)
	if err != nil || site.Zone == nil || site.Settings.Zone == "" {
		return s // who needs the site for more than its zone says what is wrong
	}
	there := *s
	there.Now = func() time.Time { return s.Now().In(site.Zone) }
	return &there
}

// inZone sets the times of entries to a zone, for a page to show.
func inZone(entries []drift.Entry, zone *time.Location) {
	for i := range entries {
		e := &entries[i]
		for _, at := range []*time.Time{&e.Time, &e.Received, &e.Placed} {
			if !at.IsZero() {
				*at = at.In(zone)
			}
		}
	}
}
