package fleet

import (
	"hash/fnv"
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// life is one machine's records, understood: what folding starts from.
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

// member is a machine with its model folded and its forecast made.
type member struct {
	*life
	subject advise.Subject
}

// Paths of a forecast: of the one that is shown, and of those that only give
// earlier verdicts.
const (
	paths       = 1000
	glancePaths = 300
)

// fold runs the model over a life and forecasts it.
func fold(l *life, pop *model.Population, refused int) *member {
	m := &member{life: l, subject: advise.Subject{
		Machine: l.name, Model: l.key.Model, Records: len(l.entries), Refused: refused,
		Last: l.last, Settings: l.settings, Zone: zone(l.settings.Zone),
	}}
	if l.otherPrograms {
		m.subject.Questions = append(m.subject.Questions, "Calibrations with other programs than "+quoted(l.key.Program)+" are not compared with it.")
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
				glance := forecast.Run(known, l.plan(known, glancePaths))
				m.subject.Earlier = append(m.subject.Earlier, advise.Judge(known, glance))
			}
		}
	}
	if !attempts {
		return m
	}
	m.subject.Known = known
	m.subject.Life = forecast.Run(known, l.plan(known, paths))
	return m
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
func (l *life) plan(m *model.Machine, paths int) forecast.Plan {
	h := fnv.New64a()
	h.Write([]byte(l.name))
	pair, arcs, _, _ := m.Pair()
	return forecast.Plan{
		Paths: paths, Horizon: forecast.Horizon, AttemptLimit: int(l.settings.AttemptLimit),
		Seed: h.Sum64() ^ uint64(pair)<<48 ^ math.Float64bits(arcs),
	}
}

func zone(name string) *time.Location {
	if name == "" {
		return time.UTC
	}
	z, err := time.LoadLocation(name)
	if err != nil {
		return time.UTC
	}
	return z
}

func quoted(s string) string { return "“" + s + "”" }
