package web

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/auth"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/lookback"
)

// handler answers a request from the server as its principal sees it: every route that is
// not open to all is one. A method expression such as (*Server).board has this form; a
// method value such as s.board would answer from the whole fleet, and does not compile.
type handler func(s *Server, w http.ResponseWriter, r *http.Request)

// seenBy is the server as the principal sees it. For a principal that is limited to some
// customers, everything that is read comes through what follows in this file: a machine of
// another customer is not there, as one that no record names.
func (s *Server) seenBy(p auth.Principal) *Server {
	part := p.Part()
	if part == nil {
		return s
	}
	seen := *s
	seen.part = part
	seen.Fleet = newFleetPart(s.Fleet, s.Records, part, partName{s.run + p.Limit.Key(), p.Assigned()})
	seen.Records = recordsPart{s.Records, part}
	seen.Setups = func() ([]drift.Entry, error) {
		all, err := s.Setups()
		return slices.DeleteFunc(all, func(e drift.Entry) bool { return e.About() == "" || !part.Holds(e.Machine, e.When()) }), err
	}
	seen.Alerts = alertsPart{s.Alerts, part, s.Now}
	seen.OpenLookBacks = func() (lookback.Report, bool) { return openPart(s.OpenLookBacks, part) }
	seen.Locations = func() []drift.Location { return locationsPart(s.locations(), seen.Fleet) }
	if s.Air != nil {
		seen.Air = func(machine string) (drift.AirReading, bool) {
			r, there := s.Air(machine)
			return r, there && part.Holds(machine, r.Time)
		}
	}
	seen.Findings = func() []string { return nil } // about the store and its surroundings:
	seen.Links = func() []string { return nil }    // for whoever runs the agent
	seen.traces = s.traces.shownAs(func(machine string, t advise.Trace) advise.Trace { return tracePart(t, part.Since(machine)) })
	seen.pasts = s.pasts.shownAs(func(machine string, all []backtest.PastForecast) []backtest.PastForecast {
		return slices.DeleteFunc(slices.Clone(all), func(f backtest.PastForecast) bool { return f.Made.Before(part.Since(machine)) })
	})
	seen.owed = s.owed.shownAs(func(all []advise.Owed) []advise.Owed {
		return slices.DeleteFunc(slices.Clone(all), func(o advise.Owed) bool { return !part.Holds(o.Machine, o.Time) })
	})
	seen.compared = s.compared.of(part, p.Limit.Key())
	return &seen
}

// locationsPart leaves the sites at which a machine of the part is.
func locationsPart(all []drift.Location, fleet Fleet) []drift.Location {
	sites := fleet.Board().columns().sites.names
	return slices.DeleteFunc(slices.Clone(all), func(at drift.Location) bool {
		_, there := slices.BinarySearch(sites, at.Name)
		return !there
	})
}

// fleetPart is a part of the fleet, for one request.
type fleetPart struct {
	of      Fleet
	records Records
	part    drift.Part
	board   func() *Board
}

// partName names the part of a fleet that somebody sees: the run and the limit, and the
// version of what says to whom machines belong.
type partName struct {
	limit    string
	assigned uint64
}

// newFleetPart makes the part. Its board is shared by all requests of one moment that have
// the same name, and its version differs from that of every other name.
func newFleetPart(of Fleet, records Records, part drift.Part, name partName) *fleetPart {
	f := &fleetPart{of: of, records: records, part: part}
	f.board = sync.OnceValue(func() *Board {
		whole := of.Board()
		return whole.parts.of(name, func() *Board {
			version := whole.version
			if version > 0 {
				sum := sha256.Sum256(fmt.Appendf(nil, "%s %d %d", name.limit, name.assigned, version))
				version = 1 + binary.BigEndian.Uint64(sum[:])>>1
			}
			return NewBoard(partRows{f, whole.rows, sync.OnceValue(func() []Machine { return f.machines(whole) })}, version)
		})
	})
	return f
}

// partRows are the machines of a part of a fleet.
type partRows struct {
	*fleetPart
	whole Rows
	all   func() []Machine
}

func (p partRows) All() []Machine { return p.all() }

func (p partRows) Len() int { return len(p.all()) }

func (p partRows) Find(name string) (Machine, bool) {
	m, there := p.whole.Find(name)
	if !there || !p.part.Has(name) {
		return Machine{}, false
	}
	return p.machine(m), true
}

// machines are those of the whole that belong to the part.
func (f *fleetPart) machines(whole *Board) []Machine {
	machines := []Machine{}
	for _, m := range whole.machines() {
		if f.part.Has(m.Machine) {
			machines = append(machines, f.machine(m))
		}
	}
	return machines
}

// parts are the boards of parts of a fleet at one moment, each under its own name. They
// are dropped with the board of the whole.
type parts struct {
	mu   sync.Mutex
	made map[partName]func() *Board
}

func (p *parts) of(name partName, makes func() *Board) *Board {
	p.mu.Lock()
	if p.made == nil {
		p.made = map[partName]func() *Board{}
	}
	made := p.made[name]
	if made == nil {
		made = sync.OnceValue(makes)
		p.made[name] = made
	}
	p.mu.Unlock()
	return made()
}

// machine is a machine as the part shows it.
func (f *fleetPart) machine(m Machine) Machine {
	since := f.part.Since(m.Machine)
	if since.IsZero() {
		return m
	}
	m.Before, m.Site = nil, ""
	if m.Move != nil && (m.Move.Taken.Before(since) || m.Move.Received.Before(since)) {
		m.Move = nil
	}
	a := assessmentPart(*m.Assessment, since)
	m.Assessment = &a
	latest, err := f.records.Latest(m.Machine, recentRecords)
	if err == nil {
		named, ok := lastWhere(f.part.Entries(latest), func(e *drift.Entry) bool { return e.Site != "" && e.Decision == nil })
		if ok {
			m.Site = named.Site
		}
	}
	return m
}

// assessmentPart leaves out the questions about records from before the moment. What the
// model knows of the machine stays: it goes with the machine.
func assessmentPart(a advise.Assessment, since time.Time) advise.Assessment {
	early := map[string]bool{}
	a.Questions = slices.DeleteFunc(slices.Clone(a.Questions), func(q drift.Question) bool {
		early[q.Text] = q.At.Before(since)
		return early[q.Text]
	})
	a.Warnings = slices.DeleteFunc(slices.Clone(a.Warnings), func(text string) bool { return early[text] })
	return a
}

func (f *fleetPart) Board() *Board { return f.board() }

func (f *fleetPart) AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	if machine != "" && !f.part.Has(machine) {
		return nil, nil
	}
	all, err := f.of.AssessAt(machine, asOf, knownAt)
	out := []advise.Assessment{}
	for _, a := range all {
		since := f.part.Since(a.Machine)
		if at, past := asOf.OrElse(knownAt).Get(); !f.part.Has(a.Machine) || past && at.Before(since) {
			continue
		}
		if !since.IsZero() {
			a = assessmentPart(a, since)
		}
		out = append(out, a)
	}
	return out, err
}

func (f *fleetPart) Move(q advise.Move) (advise.MoveAnswer, error) {
	if !f.part.Has(q.Machine) || !q.AsOf.IsZero() && q.AsOf.Before(f.part.Since(q.Machine)) {
		return advise.MoveAnswer{}, noSuchMachine(q.Machine)
	}
	return f.of.Move(q)
}

func (f *fleetPart) Site(machine string) (advise.Site, error) {
	if !f.part.Has(machine) {
		return advise.Site{}, noSuchMachine(machine)
	}
	return f.of.Site(machine)
}

func (f *fleetPart) Trace(machine string, asOf time.Time) (advise.Trace, error) {
	if !f.part.Holds(machine, asOf) {
		return advise.Trace{}, nil
	}
	t, err := f.of.Trace(machine, asOf)
	return tracePart(t, f.part.Since(machine)), err
}

// tracePart leaves out what was before the moment.
func tracePart(t advise.Trace, since time.Time) advise.Trace {
	t.Points = slices.DeleteFunc(slices.Clone(t.Points), func(p advise.Point) bool { return p.Time.Before(since) })
	t.Marks = slices.DeleteFunc(slices.Clone(t.Marks), func(m advise.Mark) bool { return m.Time.Before(since) })
	return t
}

// recordsPart are the records of a part of the fleet.
type recordsPart struct {
	Records
	part drift.Part
}

func (r recordsPart) History(machine string) ([]drift.Entry, error) {
	if !r.part.Has(machine) {
		return nil, nil
	}
	entries, err := r.Records.History(machine)
	return r.part.Entries(entries), err
}

func (r recordsPart) Latest(machine string, n int) ([]drift.Entry, error) {
	if !r.part.Has(machine) {
		return nil, nil
	}
	entries, err := r.Records.Latest(machine, n)
	return r.part.Entries(entries), err
}

func (r recordsPart) Find(machine, id string) (drift.Entry, bool, error) {
	if !r.part.Has(machine) {
		return drift.Entry{}, false, nil
	}
	e, found, err := r.Records.Find(machine, id)
	if !found || !r.part.HasEntry(&e) {
		return drift.Entry{}, false, err
	}
	return e, true, err
}

// Refused lists what is filed under machines of the part.
func (r recordsPart) Refused(limit int) (latest []drift.Refusal, total int, err error) {
	all, _, err := r.Records.Refused(0)
	latest = slices.DeleteFunc(all, func(one drift.Refusal) bool { return one.Machine == "" || !r.part.Holds(one.Machine, one.Time) })
	total = len(latest)
	if limit > 0 {
		latest = latest[:min(limit, total)]
	}
	return latest, total, err
}

// alertsPart are the alerts about machines of a part of the fleet. Alerts about sources and
// channels are for whoever runs the agent.
type alertsPart struct {
	Alerts
	part drift.Part
	now  func() time.Time
}

func (a alertsPart) Open() []alert.Shown {
	var out []alert.Shown
	for _, one := range a.Alerts.Open() {
		if !one.Rule.OfMachine() || !a.part.Has(one.Subject) {
			continue
		}
		if one.Opened.Before(a.part.Since(one.Subject)) { // answered by people of another customer
			one.Acknowledged, one.Silence = nil, nil
		}
		out = append(out, one)
	}
	return out
}

func (a alertsPart) Card(part drift.Part) alert.Card { return a.Alerts.Card(part) }

func (a alertsPart) Acknowledge(subject string, rule alert.RuleName, by string) error {
	if !rule.OfMachine() || !a.part.Has(subject) {
		_, err := alert.State{}.Acknowledge(subject, rule, by, a.now())
		return &drift.Problem{Reason: err.Error()}
	}
	return a.Alerts.Acknowledge(subject, rule, by)
}

func (a alertsPart) Silence(subject string, rule alert.RuleName, quiet alert.Silence) error {
	if !rule.OfMachine() || !a.part.Has(subject) {
		_, err := alert.State{}.Silence(subject, rule, quiet, a.now())
		return &drift.Problem{Reason: err.Error()}
	}
	return a.Alerts.Silence(subject, rule, quiet)
}

// openPart is what was found out lately about machines of a part, and what only they did
// for jobs: the sums of a job that others worked on too are asked for by its name.
func openPart(open func() (lookback.Report, bool), part drift.Part) (lookback.Report, bool) {
	r, known := open()
	r.Warnings = []string{}
	r.Spans = slices.DeleteFunc(slices.Clone(r.Spans), func(s lookback.Span) bool { return !part.Holds(s.Machine, s.From) })
	spans := map[string]bool{}
	for i := range r.Spans {
		spans[r.Spans[i].Name] = true
	}
	r.Entries = slices.DeleteFunc(slices.Clone(r.Entries), func(e lookback.Entry) bool { return !part.Has(e.Machine) || !spans[e.Span] })
	r.Jobs = slices.DeleteFunc(slices.Clone(r.Jobs), func(j lookback.Job) bool {
		return slices.ContainsFunc(j.Machines, func(m string) bool { return !part.Has(m) || !part.Since(m).IsZero() })
	})
	return r, known
}
