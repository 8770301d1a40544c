package fleet

import (
	"hash/fnv"
	"maps"
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/plan"
)

// foldState is the state after folding a machine's records in order, up to a link of
// its chain. Folding continues from it. It does not grow with the history.
type foldState struct {
	name string
	// Link is that of the last record folded, nil if there is no cache.
	Link []byte
	// Records counts the records, Old those that had happened when the populations
	// were learnt.
	Records, Old int
	Last         time.Time
	// Ahead is the time of the first record that does not count yet, as its clock runs
	// ahead; zero without one.
	Ahead time.Time

	Site     string
	Key      model.Key
	Settings drift.Settings
	// Service is the latest service and Serviced its time; nil without one.
	Service  *drift.Service
	Serviced time.Time
	// Move is the latest decision on its day at the bench since the latest service; nil
	// without one.
	Move *plan.Move
	// Checks is the state of the rules of the trade.
	Checks advise.Checks
	// Temperature, Humidity, Altitude and Pressure are those of the newest
	// calibration.
	Temperature, Humidity, Altitude, Pressure drift.Opt[float64]
	// Attempted says whether there was an attempt.
	Attempted bool

	// Tails are the ends of the records: as taken and, if some were corrected, as they
	// read now. Waiting are the ids of records whose correction came before them.
	Tails   []drift.Tail
	Waiting []string
	// Odd says that a clock was wrong. Ways is when each source last brought a
	// calibration. Slips and Asked are the state of the questions about the records.
	Odd   bool
	Ways  map[string]time.Time
	Slips drift.Slips
	Asked drift.Questions
	// Verdicts are those at the ends of the sessions since the last service, of three
	// sessions at most, the last one included.
	Verdicts []advise.Verdict

	reader model.Reader
	known  *model.Machine // nil before the first record
}

// life is a stretch of a machine's records as events: all of them, or those after a
// fold state. It is as long as the records and is not kept.
type life struct {
	foldState
	events  []model.Event
	entries []drift.Entry // ordered and corrected
}

// understand orders and corrects a machine's entries and turns them into events.
func understand(name string, entries []drift.Entry, setups *drift.Setups) *life {
	l := &life{foldState: foldState{name: name}}
	l.Tails = []drift.Tail{drift.Order(entries)}
	l.entries = drift.Correct(entries)
	l.corrected(entries)
	l.Records = len(l.entries)
	l.Odd = slices.ContainsFunc(l.entries, func(e drift.Entry) bool { return e.OddClock() })
	var asked []drift.Question
	l.entries, asked = drift.Counted(l.entries)
	for _, q := range asked {
		l.Asked.Ask(q)
	}
	for i := range l.entries {
		l.came(&l.entries[i])
		l.Slips.Take(&l.entries[i], &l.Asked)
		l.label(&l.entries[i])
	}
	l.Settings = setups.For(name, l.Key.Model, l.Site)
	l.reader = model.Reader{Settings: l.Settings}
	l.read()
	return l
}

// corrected notes what corrections among the entries mean for later entries.
func (l *life) corrected(ordered []drift.Entry) {
	if len(l.entries) == len(ordered) {
		return
	}
	l.Tails = append(l.Tails, drift.Order(slices.Clone(l.entries)))
	there := map[string]bool{}
	for i := range ordered {
		there[ordered[i].ID] = true
	}
	for i := range ordered {
		if c := ordered[i].Correction; c != nil && !there[c.Corrects] {
			l.Waiting = append(l.Waiting, c.Corrects)
		}
	}
}

// goOn is the life of the entries after a fold state. It is nil if some entries belong
// before the end of the state, or change how earlier records are understood.
func (s foldState) goOn(entries []drift.Entry, setups *drift.Setups) *life {
	l := &life{foldState: s, entries: entries}
	l.Ways, l.Asked = maps.Clone(s.Ways), s.Asked.Clone()
	l.Records += len(entries)
	drift.Order(entries)
	for i := range entries {
		e := &entries[i]
		if e.Correction != nil || slices.Contains(l.Waiting, e.ID) || l.doubtful(e) {
			return nil
		}
		l.came(e)
		l.Slips.Take(e, &l.Asked)
		for t := range l.Tails {
			if !l.Tails[t].Take(e) {
				return nil
			}
		}
		l.label(e)
	}
	if l.Key != s.Key || setups.For(l.name, l.Key.Model, l.Site) != s.Settings {
		return nil
	}
	l.read()
	return l
}

// doubtful says whether the entry may change which of the records before it count,
// or when they happened.
func (l *life) doubtful(e *drift.Entry) bool {
	const long = 12 * time.Hour // no session lasts as long
	if l.Odd || e.OddClock() || e.Counts.Known() || e.Service != nil {
		return true
	}
	if e.Calibration == nil {
		return false
	}
	for way, last := range l.Ways {
		if way != e.Way() && e.When().Sub(last) < long {
			return true
		}
	}
	return false
}

// came notes by which source a calibration came.
func (l *life) came(e *drift.Entry) {
	if e.Calibration == nil {
		return
	}
	if l.Ways == nil {
		l.Ways = map[string]time.Time{}
	}
	l.Ways[e.Way()] = e.When()
}

// label keeps the newest values that records give for the machine itself.
func (l *life) label(e *drift.Entry) {
	if e.Decision != nil {
		if move := plan.MoveOf(e); move != nil {
			l.Move = move
		}
		return // it tells of splices made before, and not that the machine is heard of
	}
	for _, label := range []struct {
		to   *string
		from string
	}{{&l.Key.Model, e.Model}, {&l.Site, e.Site}} {
		if label.from != "" {
			*label.to = label.from
		}
	}
	if c := e.Calibration; c != nil {
		l.Temperature, l.Humidity, l.Altitude, l.Pressure = c.Temperature, c.Humidity, c.Altitude, c.Pressure
		if e.Program != "" {
			l.Key.Program = e.Program
		}
	}
	if e.Service != nil {
		service := *e.Service
		l.Service, l.Serviced = &service, e.When().UTC()
		if service.Action != drift.Inspected { // a look at the pair is no day at the bench
			l.Move = nil
		}
	}
	if at := e.When().UTC(); at.After(l.Last) {
		l.Last = at
	}
}

// read turns the entries into events.
func (l *life) read() {
	for i := range l.entries {
		e := &l.entries[i]
		ev, ok := l.reader.Next(e)
		if !ok {
			l.Checks.Update(e, l.Checks.Pair)
			continue
		}
		l.Checks.Update(e, ev.Pair)
		l.events = append(l.events, ev)
	}
}

// history is the life in the form that populations are learnt from.
func (l *life) history() model.History {
	return model.History{Machine: l.name, Key: l.Key, Events: l.events, AttemptLimit: int(l.Settings.AttemptLimit)}
}

// know folds the life, without verdicts.
func (l *life) know(pop *model.Population) *model.Machine {
	l.begin(pop)
	for i := range l.events {
		l.known.Update(&l.events[i])
	}
	return l.known
}

func (l *life) begin(pop *model.Population) {
	if l.known == nil {
		l.known = model.NewMachine(l.name, pop.For(l.Key))
	}
}

// The numbers of simulated paths: of the forecast that is shown, and of the forecasts
// for earlier verdicts.
const (
	paths       = 1000
	glancePaths = 300
)

// sessionsJudged is how many sessions the state depends on.
const sessionsJudged = 3

// fold runs the model over a life, judges at the ends of its last sessions, and makes
// the forecast.
func fold(l *life, pop *model.Population, refused int, zones *zones) *advise.Subject {
	l.begin(pop)
	ends := sessionEnds(l.events, sessionsJudged)
	for i := range l.events {
		l.known.Update(&l.events[i])
		l.count(&l.events[i])
		if len(ends) > 0 && i == ends[0] {
			ends = ends[1:]
			glance := forecast.Run(l.known, l.plan(l.known, glancePaths, advise.VerdictHorizon(l.known)))
			l.Verdicts[len(l.Verdicts)-1] = advise.Judge(l.known, glance)
		}
	}
	s := &advise.Subject{
		Machine: l.name, Model: l.Key.Model, Records: l.Records, Refused: refused,
		Last: l.Last, Settings: l.Settings, Checks: l.Checks, Zone: zones.named(l.Settings.Zone), Asked: l.Asked.Open(),
	}
	if !zones.knows(l.Settings.Zone) {
		s.Questions = append(s.Questions, "This computer does not know the time zone "+quoted(l.Settings.Zone)+". Times and dates are in UTC.")
	}
	if !l.Attempted {
		return s
	}
	if n := len(l.Verdicts); n > 0 {
		s.Earlier = l.Verdicts[:n-1]
	}
	s.Known = l.known
	s.Life = forecast.Run(l.known, l.plan(l.known, paths, forecast.Horizon))
	return s
}

// count makes room for the verdict of a session that begins, and drops the verdicts
// from before a service.
func (l *life) count(ev *model.Event) {
	switch ev.Kind {
	case model.Cleaned, model.Replaced, model.Unlogged:
		l.Verdicts = nil
	case model.Attempt:
		l.Attempted = true
		if ev.NewSession || len(l.Verdicts) == 0 {
			l.Verdicts = append(l.Verdicts, advise.Verdict{})
			l.Verdicts = l.Verdicts[max(0, len(l.Verdicts)-sessionsJudged):]
		}
	}
}

// sessionEnds returns the indexes of the last attempts of the last n sessions
// since the last service.
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

// plan is the plan of a forecast. Its seed depends only on the machine's name, the pair
// and the arcs burnt, so that the forecast of a moment is always the same.
func (s *foldState) plan(m *model.Machine, paths int, horizon float64) forecast.Plan {
	h := fnv.New64a()
	h.Write([]byte(s.name))
	pair, arcs, _, _ := m.Pair()
	return forecast.Plan{
		Paths: paths, Horizon: horizon, AttemptLimit: int(s.Settings.AttemptLimit),
		Seed: h.Sum64() ^ uint64(pair)<<48 ^ math.Float64bits(arcs),
	}
}

func quoted(s string) string { return "“" + s + "”" }
