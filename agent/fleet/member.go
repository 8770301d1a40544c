package fleet

import (
	"hash/fnv"
	"math"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// life is one machine's records, understood: what folding starts from. It is as
// long as the machine's history and is let go of after.
type life struct {
	name, site string
	key        model.Key
	settings   drift.Settings
	events     []model.Event
	entries    []drift.Entry // ordered and corrected
	last       time.Time
	// ahead is the time of the first record that does not count yet, zero without
	// one: some clocks run ahead.
	ahead time.Time
	// lastCalibration is the newest, nil without one, as is the latest service.
	lastCalibration *drift.Calibration
	service         *drift.Service
	serviced        time.Time
	otherPrograms   bool
}

// understand orders and corrects a machine's entries and reads them as events.
// Attempts with another program than the newest move the counter only: results
// are compared within one program.
func understand(name string, entries []drift.Entry, setups *drift.Setups) *life {
	drift.Order(entries)
	l := &life{name: name, entries: drift.Correct(entries)}
	for i := range l.entries {
		l.label(&l.entries[i])
	}
	l.settings = setups.For(name, l.key.Model, l.site)
	reader := model.Reader{Settings: l.settings}
	for i := range l.entries {
		e := &l.entries[i]
		ev, ok := reader.Next(e)
		if !ok {
			continue
		}
		if ev.Kind == model.Attempt && e.Program != "" && e.Program != l.key.Program {
			ev.Kind = model.Usage
			l.otherPrograms = true
		}
		l.events = append(l.events, ev)
	}
	return l
}

// label keeps the newest of what records say about the machine itself.
func (l *life) label(e *drift.Entry) {
	for _, label := range []struct {
		to   *string
		from string
	}{{&l.key.Model, e.Model}, {&l.site, e.Site}} {
		if label.from != "" {
			*label.to = label.from
		}
	}
	if e.Calibration != nil {
		l.lastCalibration = e.Calibration
		if e.Program != "" {
			l.key.Program = e.Program
		}
	}
	if e.Service != nil {
		l.service, l.serviced = e.Service, e.When()
	}
	if at := e.When(); at.After(l.last) {
		l.last = at
	}
}

// history is what the populations are learnt from: events up to a moment.
func (l *life) history(until time.Time) model.History {
	n, _ := slices.BinarySearchFunc(l.events, until, func(e model.Event, t time.Time) int {
		if e.Time.After(t) {
			return 1
		}
		return -1
	})
	return model.History{Machine: l.name, Key: l.key, Events: l.events[:n:n], AttemptLimit: int(l.settings.AttemptLimit)}
}

// member is what is kept of a machine: a few kilobytes, however long its
// history.
type member struct {
	name    string
	about   About
	weighed advise.Weighed
	ahead   time.Time // see life
}

// keep folds a life and keeps what answering needs.
func (l *life) keep(w *world) *member {
	s := fold(l, w.pop, w.refused[l.name], w.zones)
	m := &member{
		name: l.name, ahead: l.ahead, weighed: advise.Weigh(s),
		about: About{Site: l.site, Settings: l.settings, Serviced: l.serviced},
	}
	if l.service != nil {
		service := *l.service
		m.about.Service = &service
	}
	if l.settings.Zone != "" {
		m.about.Zone = s.Zone
	}
	return m
}

// Paths of a forecast: of the one that is shown, and of those that only give
// earlier verdicts and look no further than twice as far as these.
const (
	paths       = 1000
	glancePaths = 300
)

// fold runs the model over a life and forecasts it.
func fold(l *life, pop *model.Population, refused int, zones *zones) *advise.Subject {
	s := &advise.Subject{
		Machine: l.name, Model: l.key.Model, Records: len(l.entries), Refused: refused,
		Last: l.last, Settings: l.settings, Zone: zones.named(l.settings.Zone),
	}
	if l.otherPrograms {
		s.Questions = append(s.Questions, "Calibrations with other programs than "+quoted(l.key.Program)+" are not compared with it.")
	}
	known := model.NewMachine(l.name, pop.For(l.key))
	// Where the last three sessions end, verdicts are given.
	ends := sessionEnds(l.events, 3)
	attempts := false
	for i := range l.events {
		known.Take(&l.events[i])
		attempts = attempts || l.events[i].Kind == model.Attempt
		if len(ends) > 0 && i == ends[0] {
			ends = ends[1:]
			if len(ends) > 0 {
				glance := forecast.Run(known, l.plan(known, glancePaths, min(2*advise.Ahead(known), forecast.Horizon)))
				s.Earlier = append(s.Earlier, advise.Judge(known, glance))
			}
		}
	}
	if !attempts {
		return s
	}
	s.Known = known
	s.Life = forecast.Run(known, l.plan(known, paths, forecast.Horizon))
	return s
}

// sessionEnds returns the indexes of the last attempts of the last n sessions
// since the last service: verdicts of another state of the pair do not count.
func sessionEnds(events []model.Event, n int) []int {
	var ends []int
	open := false
	for i := len(events) - 1; i >= 0 && len(ends) < n; i-- {
		ev := &events[i]
		if ev.Kind == model.Cleaned || ev.Kind == model.Replaced || ev.Kind == model.Unlogged {
			break
		}
		if ev.Kind != model.Attempt {
			continue
		}
		if !open {
			ends = append(ends, i)
		}
		open = !ev.NewSession
	}
	slices.Reverse(ends)
	return ends
}

// plan makes the forecast of a machine at a moment the same for ever: its seed
// is the machine's name and the arcs burnt.
func (l *life) plan(m *model.Machine, paths int, horizon float64) forecast.Plan {
	h := fnv.New64a()
	h.Write([]byte(l.name))
	pair, arcs, _, _ := m.Pair()
	return forecast.Plan{
		Paths: paths, Horizon: horizon, AttemptLimit: int(l.settings.AttemptLimit),
		Seed: h.Sum64() ^ uint64(pair)<<48 ^ math.Float64bits(arcs),
	}
}

// zones are the time zones of the machines, each read once: many machines share
// few.
type zones struct {
	mu     sync.Mutex
	byName map[string]*time.Location
}

// named returns a zone; UTC for none and for one that is not known here.
func (z *zones) named(name string) *time.Location {
	if name == "" {
		return time.UTC
	}
	z.mu.Lock()
	defer z.mu.Unlock()
	at, ok := z.byName[name]
	if !ok {
		var err error
		if at, err = time.LoadLocation(name); err != nil {
			at = time.UTC
		}
		if z.byName == nil {
			z.byName = map[string]*time.Location{}
		}
		z.byName[name] = at
	}
	return at
}

func quoted(s string) string { return "“" + s + "”" }
