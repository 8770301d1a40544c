package web

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/proof"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/compare"
	"arcdrift/drift/health"
	"arcdrift/drift/lookback"
)

// noon is when every test happens.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.FixedZone("", 3600))

// fake is an intake, a fleet and a store in memory, of an invented contractor.
type fake struct {
	mu       sync.Mutex // a browser asks from other goroutines
	machines []Machine
	version  uint64
	broken   []string // connections to elsewhere
	traces   map[string]advise.Trace
	history  map[string][]drift.Entry
	refused  []drift.Refusal
	// wholeReads counts the readings of whole histories.
	wholeReads atomic.Int32
	notReady   error
	before     []advise.Assessment // the fleet at another moment

	takeErr error
	taken   []intake.Submission
	receipt func(i int, o intake.Submission) intake.Receipt

	traced   int
	slow     chan struct{} // when set, a trace waits for it
	traceErr error         // of every trace
	asked    []advise.Move
	moved    advise.MoveAnswer
	owed     []advise.Owed
	moveErr  error
	sites    map[string]advise.Site
	pasts    map[string][]backtest.PastForecast
	alerts   fakeAlerts
	ended    []alert.Outcome
	book     *health.Book
	spares   []advise.Spares
	places   []drift.Location
	air      map[string]drift.AirReading
	lookBack lookback.Report
	compared compare.Report
}

// Make makes no pack, but says what was asked for.
func (f *fake) Make(_ context.Context, _ drift.Part, q proof.Question) ([]byte, error) {
	if q.Job == "J-0" {
		return nil, &drift.Problem{Field: "job", Value: q.Job, Reason: "is not known here: no splice record names it"}
	}
	return fmt.Appendf(nil, "%s %s %s", q, q.From.Format(time.RFC3339), q.To.Format(time.RFC3339)), f.moveErr
}

func (f *fake) Fingerprint() (string, error) {
	return "21fe 31df a154 a261 626b f854 046f d227", f.takeErr
}

func (f *fake) Take(_ context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.takeErr != nil {
		return nil, f.takeErr
	}
	var out []intake.Receipt
	for i, o := range offers {
		if o.By != nil && o.Problem == nil && o.Refusal == nil {
			o.Problem = o.By.Check(&o.Record) // as intake asks
		}
		f.taken = append(f.taken, o)
		r := intake.Receipt{Line: o.Line, ID: o.Record.ID, Epoch: 1, Seq: uint64(len(f.taken)), Refused: o.Problem}
		if f.receipt != nil {
			r = f.receipt(i, o)
		}
		out = append(out, r)
	}
	return out, nil
}

// listed are machines in a list, the one that needs somebody most first.
type listed []Machine

func (l listed) All() []Machine { return l }

func (l listed) Len() int { return len(l) }

func (l listed) Find(name string) (Machine, bool) {
	at := slices.IndexFunc(l, func(m Machine) bool { return m.Machine == name })
	if at < 0 {
		return Machine{}, false
	}
	return l[at], true
}

func (f *fake) Board() *Board {
	f.mu.Lock()
	defer f.mu.Unlock()
	version := f.version
	if version == 0 && f.notReady == nil {
		version = 1 // it was read
	}
	return NewBoard(listed(slices.Clone(f.machines)), version)
}

// offers are what was taken so far.
func (f *fake) offers() []intake.Submission {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.taken)
}

// turn changes the state of a machine, as a new record would.
func (f *fake) turn(machine string, state advise.State) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.version++
	for i := range f.machines {
		if f.machines[i].Machine == machine {
			a := *f.machines[i].Assessment // others may be reading it
			a.State = state
			f.machines[i].Assessment = &a
		}
	}
}

func (f *fake) AssessAt(machine string, asOf, _ drift.Opt[time.Time]) ([]advise.Assessment, error) {
	if machine == "" {
		return f.before, nil
	}
	for _, m := range f.machines {
		if m.Machine == machine {
			a := *m.Assessment
			a.AsOf = asOf.Or(a.AsOf)
			return []advise.Assessment{a}, nil
		}
	}
	return nil, nil
}

func (f *fake) Move(q advise.Move) (advise.MoveAnswer, error) {
	f.asked = append(f.asked, q)
	return f.moved, f.moveErr
}

func (f *fake) Site(machine string) (advise.Site, error) {
	site, ok := f.sites[machine]
	if !ok {
		return advise.Site{Settings: drift.Settings{CheckMinutes: 5, OutMinutes: 60}}, f.moveErr
	}
	return site, f.moveErr
}

func (f *fake) Trace(machine string, _ time.Time) (advise.Trace, error) {
	if f.slow != nil {
		<-f.slow
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.traced++
	return f.traces[machine], f.traceErr
}

func (f *fake) History(machine string) ([]drift.Entry, error) {
	f.wholeReads.Add(1)
	return f.history[machine], nil
}

func (f *fake) Latest(machine string, n int) ([]drift.Entry, error) {
	all := f.history[machine]
	return slices.Clone(all[max(0, len(all)-n):]), nil
}

func (f *fake) Find(_, id string) (drift.Entry, bool, error) {
	for _, history := range f.history {
		for i := range history {
			if history[i].ID == id {
				return history[i], true, nil
			}
		}
	}
	return drift.Entry{}, false, nil
}

// PastForecasts are the fake's earlier forecasts.
func (f *fake) PastForecasts(machine string) ([]backtest.PastForecast, error) {
	if f.slow != nil {
		<-f.slow
	}
	return f.pasts[machine], nil
}

func (f *fake) Refused(limit int) ([]drift.Refusal, int, error) {
	return f.refused[:min(limit, len(f.refused))], len(f.refused), nil
}

func (f *fake) Ready() error { return f.notReady }

// Setups are those that the fake took.
func (f *fake) Setups() ([]drift.Entry, error) {
	var out []drift.Entry
	for _, o := range f.offers() {
		if o.Problem == nil && o.Record.Setup != nil {
			out = append(out, drift.Entry{Record: o.Record, Received: noon})
		}
	}
	return out, nil
}

// anyone is an authenticator that accepts everybody.
type anyone struct{}

func (anyone) Authenticate(net.IP, string, string) (auth.Principal, error) {
	return auth.Principal{Role: auth.Manager}, nil
}

func (anyone) Refresh(p auth.Principal) (auth.Principal, error) { return p, nil }

func (anyone) Resume(net.IP, string, string) (auth.Principal, error) {
	return auth.Principal{}, auth.ErrGone
}

// shown are the texts of every server here: reading them takes longer than most tests.
var shown = sync.OnceValues(readTexts)

// serverFor is a server on f whose clock stays at noon.
func serverFor(t testing.TB, f *fake) *Server {
	t.Helper()
	texts, err := shown()
	require.NoError(t, err)
	s, err := newServer(Config{Authenticator: anyone{}, Keys: noKeys(t), Fingerprint: func() string { return "" }, Findings: func() []string { return nil }, Links: func() []string { return f.broken }, Intake: f, Fleet: f, PastForecasts: f.PastForecasts, Records: f, Alerts: &f.alerts, Proofs: f, Locations: func() []drift.Location { return f.places }, Air: func(machine string) (drift.AirReading, bool) { r, there := f.air[machine]; return r, there }, Spares: func(drift.Part) []advise.Spares { return f.spares }, Compare: func(drift.Part) (compare.Report, error) { return f.compared, f.moveErr }, Owed: func(time.Time) ([]advise.Owed, error) { return f.owed, f.moveErr }, Days: f.days, Ended: func() []alert.Outcome { return f.ended }, LookBack: func(_ drift.Part, q lookback.Question) (lookback.Report, error) { return f.lookBack, q.Check() }, OpenLookBacks: func() (lookback.Report, bool) { return f.lookBack, true }, Hosts: []string{"van-4.example"}, Now: func() time.Time { return noon },
		Log: slog.New(slog.NewTextHandler(io.Discard, nil))}, texts)
	require.NoError(t, err)
	s.Setups = f.Setups
	s.before.patience, s.glance = time.Minute, time.Minute // no page of a test depends on how fast it is
	return s
}

// noKeys are accounts of which there is none yet.
func noKeys(t testing.TB) *auth.Keys {
	t.Helper()
	keys, err := auth.Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	return keys
}

// get asks the server of f for a path.
func get(t testing.TB, f *fake, path string) *httptest.ResponseRecorder {
	t.Helper()
	return ask(t, f, httptest.NewRequest("GET", path, nil))
}

func ask(t testing.TB, f *fake, r *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	if r.Host == "example.com" { // the default of httptest
		r.Host = "localhost:8080"
	}
	w := httptest.NewRecorder()
	serverFor(t, f).Handler().ServeHTTP(w, r)
	return w
}

func some[T any](v T) drift.Opt[T] { return drift.Some(v) }

// yard is a small fleet with one machine in each state, each with a history.
func yard() *fake {
	f := &fake{version: 7, traces: map[string]advise.Trace{}, history: map[string][]drift.Entry{}}
	f.add("K-11", "type-1", "Raven Ridge", advise.Stop, 40*time.Minute, func(a *advise.Assessment) {
		a.Reasons = []string{"4 attempts in a row failed, over 2 calibrations, with fresh ends each time.", "It passed with neither of the two cleavers used."}
		a.Streak = advise.Streak{Attempts: 4, Sessions: 2, ByLuck: some(0.0012), Cause: []advise.Cause{{Cause: "electrodes", Probability: 0.71}, {Cause: "ends", Probability: 0.22}, {Cause: "air", Probability: 0.07}}}
		a.Electrode.Action, a.Electrode.ActBy = advise.Replace, some("2026-03-02")
	})
	f.add("M-02", "type-2", "Tarn Pass", advise.CheckFirst, 19*time.Hour, func(a *advise.Assessment) {
		a.Reasons = []string{"It moved 1,180 m up since its last good calibration: about 6 in 10 would be out."}
	})
	f.add("K-07", "type-2", "Elm Street depot", advise.ServiceSoon, 4*time.Hour, func(a *advise.Assessment) {
		a.Reasons = []string{"The power it needs grows by 3.3 % per 1,000 arcs: between 220 and 1,240 arcs are left.", "At 58 arcs a day the early end is reached on Thursday.", "Log the service and pass a calibration to clear this."}
		a.Warnings = []string{"The altitude of one record was corrected; the answer uses the new value."}
		a.Ask(drift.Question{Kind: drift.AskDouble, Machine: a.Machine, Records: []string{a.Machine + "-5"}, Text: "The calibration of 2 Mar 07:45 seems to be recorded twice: it counts once. Was it one?",
			Replies: []drift.Reply{
				{Say: "One, recorded twice", Records: []string{a.Machine + "-5"}, Field: "counts", Value: "false"},
				{Say: "Two calibrations", Records: []string{a.Machine + "-5"}, Field: "counts", Value: "true"},
			}})
		a.Electrode.Action, a.Electrode.ActBy, a.Electrode.CleanHolds = advise.Clean, some("2026-03-05"), some(0.7)
	})
	f.add("K-31", "type-1", "Mill Lane", advise.NoData, 11*24*time.Hour, func(a *advise.Assessment) {
		a.Reasons = []string{"No record for 11 days; it used to report every working day."}
	})
	f.add("M-09", "type-2", "Tarn Pass", advise.Fit, 3*time.Hour, func(*advise.Assessment) {})
	f.add("K-15", "type-1", "Mill Lane", advise.Fit, 5*time.Hour, func(a *advise.Assessment) {
		a.Data.Grade = advise.PassFail
		a.Drift = advise.Drift{}
		a.Electrode.ToFailure = nil
		t := f.traces["K-15"]
		for i := range t.Points {
			t.Points[i].Raw, t.Points[i].Reference = drift.Opt[float64]{}, drift.Opt[float64]{}
		}
	})
	f.before = []advise.Assessment{{Machine: "K-11", State: advise.Fit}, {Machine: "M-02", State: advise.CheckFirst}, {Machine: "K-07", State: advise.ServiceSoon}, {Machine: "K-31", State: advise.NoData}}
	f.refused = []drift.Refusal{
		{Machine: "K-07", Via: "mqtt", Problem: drift.Problem{Field: "temperature_c", Value: "214", Reason: "must be from -40 to 60 degrees Celsius"}, Raw: []byte(`{"type":"calibration","machine":"K-07","passed":true,"temperature_c":214}`), Time: noon.Add(-2 * time.Hour), Last: noon.Add(-time.Hour), Times: 3},
		{Machine: "", Via: "http", Line: 12, Problem: drift.Problem{Reason: "this is not JSON"}, Raw: []byte("\x00\x01<script>alert(1)</script>"), Time: noon.Add(-3 * time.Hour), Last: noon.Add(-3 * time.Hour), Times: 1},
	}
	f.owed = []advise.Owed{
		{Rule: advise.StartOfDay, Time: noon, Site: "Tarn Pass", Model: "type-2", Kept: true}, {Rule: advise.StartOfDay, Time: noon, Site: "Tarn Pass", Model: "type-1"},
		{Rule: advise.ElectrodeWork, Time: noon, Site: "Elm Street depot", Model: "type-1", Kept: true}, {Rule: advise.Moved, Time: noon.AddDate(0, 0, -7), Model: "type-2"},
	}
	f.moved = advise.MoveAnswer{Machine: "K-07", AsOf: noon, Answer: advise.Recalibrate, WaitMinutes: some(0), ProbabilityOut: some(0.63), ExpectedShift: some(3.2), SD: some(0.9),
		Evidence: advise.ThisMachine, Reasons: []string{"You are 1,180 m higher than at the last good calibration."}, DewPoint: some(9.1), Cost: advise.Cost{CheckMinutes: 5, OutMinutes: 60}}
	f.pasts = map[string][]backtest.PastForecast{"K-07": {
		pastOn(14, backtest.EndOpen, 310), pastOn(28, backtest.EndServiced, 180), pastOn(42, backtest.EndFailed, 480), pastOn(56, backtest.EndFailed, 90), pastOn(70, backtest.EndFailed, 1900),
	}}
	f.places = []drift.Location{{Name: "Elm Street depot", Altitude: some(210.0)}, {Name: "Mill Lane"}, {Name: "Tarn Pass", Altitude: some(1390.0), Latitude: some(61.21), Longitude: some(7.48)}}
	f.alerts.begin(f.machines)
	f.ended = []alert.Outcome{
		{Subject: "K-07", Rule: alert.ElectrodesDue, Opened: noon.AddDate(0, 0, -20), Ended: noon.AddDate(0, 0, -12), End: alert.ByService, Finding: drift.Dirty},
		{Subject: "K-11", Rule: alert.MustStop, Opened: noon.AddDate(0, 0, -9), Ended: noon.AddDate(0, 0, -8), End: alert.ByService, Finding: drift.Fine},
		{Subject: "K-15", Rule: alert.ElectrodesDue, Opened: noon.AddDate(0, 0, -9), Ended: noon.AddDate(0, 0, -8), End: alert.ByItself},
	}
	f.spares = []advise.Spares{{Depot: "", Machines: 2, Unknown: 1, Expected: 0.4, Hold95: 1, Hold99: 2}, {Depot: "north", Machines: 4, Expected: 2.25, Hold95: 4, Hold99: 5, Held: some(int64(3)), LeadDays: 6}}
	return f
}

// pastOn is a forecast of so many days ago and what came of it.
func pastOn(days int, end backtest.End, arcs float64) backtest.PastForecast {
	made := noon.AddDate(0, 0, -days)
	return backtest.PastForecast{Made: made, Arcs: 900, Left: advise.Quantiles{P10: 220, P50: 610, P90: 1240}, Horizon: 6000, Fate: backtest.Fate{Arcs: arcs, Until: made.AddDate(0, 0, 9), End: end}}
}

// add puts a machine with ninety days of history into the fleet; change makes it
// special.
func (f *fake) add(name, model, site string, state advise.State, since time.Duration, change func(*advise.Assessment)) {
	trace, history := life(name, model, site, noon.Add(-since), uint64(len(f.machines)))
	f.traces[name], f.history[name] = trace, history
	last := trace.Points[len(trace.Points)-1]
	m := Machine{Site: site, Settings: &drift.Settings{}, Assessment: &advise.Assessment{
		Machine: name, Model: &model, AsOf: noon, State: state,
		Data:  advise.Data{Grade: advise.Full, Records: len(history), Last: some(last.Time), Refused: 0},
		Drift: advise.Drift{RequiredPower: some(last.Level), SD: some(last.SD), Per1000Arcs: some(3.3), Per1000ArcsSD: some(0.5), Setting: some(3.9), Limit: some(12.0), Scatter: some(0.9)},
		Air:   advise.AirEffect{Density: some(-0.6), Humidity: some(0.1)},
		Electrode: advise.Electrode{Arcs: some(last.Arcs), ArcsSinceCleaned: some(int64(640)), Cleanings: 1, ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 1240},
			BeyondHorizon: some(0.02), HorizonArcs: 6000, ArcsPerDay: some(58.0), Action: advise.None},
	}}
	f.machines = append(f.machines, m)
	change(f.machines[len(f.machines)-1].Assessment)
}

// life is ninety days of calibrations on two pairs, with a gap, a cleaning and a
// correction; drawn, not modelled.
func life(name, model, site string, end time.Time, seed uint64) (advise.Trace, []drift.Entry) {
	rng := rand.New(rand.NewPCG(seed, 1))
	t := advise.Trace{Limit: some(12.0)}
	var history []drift.Entry
	slope := 2 + 2*rng.Float64()
	arcs, pair := int64(900), 0
	entry := func(r drift.Record) {
		r.ID, r.Machine, r.Model, r.Site = fmt.Sprintf("%s-%d", name, len(history)), name, model, site
		history = append(history, drift.Entry{Record: r, Received: r.Time.Add(time.Minute), Via: "mqtt", StoreEpoch: 1, StoreSeq: uint64(len(history) + 1)})
	}
	for day := 90; day >= 0; day-- {
		at := end.AddDate(0, 0, -day)
		if day == 60 {
			pair, arcs = 1, 0
			t.Marks = append(t.Marks, advise.Mark{Time: at, Pair: pair, Arcs: 0, What: "replaced"})
			entry(drift.Record{Type: drift.TypeService, Time: at.Add(-2 * time.Hour), ArcCount: some(int64(0)), Service: &drift.Service{Action: drift.Replaced, Pair: "lot 118", Finding: drift.Worn}})
		}
		if day == 12 {
			t.Marks = append(t.Marks, advise.Mark{Time: at, Pair: pair, Arcs: arcs, What: "cleaned"})
			entry(drift.Record{Type: drift.TypeService, Time: at.Add(-2 * time.Hour), ArcCount: some(arcs), Service: &drift.Service{Action: drift.Cleaned, Finding: drift.Dirty}})
		}
		if day > 30 && day < 45 || day%7 == 5 { // a holiday, and Sundays
			continue
		}
		arcs += 20 + rng.Int64N(70)
		level := slope * float64(arcs) / 1000
		air := 1.5 * rng.NormFloat64()
		needed := level + 0.7*rng.NormFloat64()
		passed := rng.Float64() < 0.88
		point := advise.Point{ID: fmt.Sprintf("%s-%d", name, len(history)), Time: at, Pair: pair, Arcs: arcs, Raw: some(needed + air), Reference: some(needed),
			Level: level, SD: 0.45, Scatter: 0.9 + level/10, Attempt: 1, Passed: passed, Conditioning: pair == 1 && arcs < 150, BadEnd: !passed && rng.Float64() < 0.4}
		t.Points = append(t.Points, point)
		entry(drift.Record{Type: drift.TypeCalibration, Time: at, ArcCount: some(arcs), Program: "single-mode", Operator: "A. Ruiz", Calibration: &drift.Calibration{
			Attempt: some(int64(1)), Passed: some(passed), MeltbackLeft: some(248.5), MeltbackRight: some(251.0), Target: some(250.0), Tolerance: some(10.0),
			PowerSetting: some(3.9), PowerCorrection: some(0.0), Temperature: some(-8.0), Humidity: some(70.0), Altitude: some(210.0), Trigger: "start-of-day"}})
	}
	for i := range 13 {
		ahead := float64(100 * i)
		mid := slope * (float64(arcs) + ahead) / 1000
		t.Fan = append(t.Fan, advise.FanPoint{Arcs: arcs + int64(ahead), P10: mid - 0.6 - 0.002*ahead, P50: mid, P90: mid + 0.6 + 0.003*ahead})
	}
	of := history[len(history)-2]
	entry(drift.Record{Type: drift.TypeCorrection, Time: of.Time.Add(time.Hour), Operator: "J. Lund", Correction: &drift.Correction{Corrects: of.ID, Reason: "typing slip", Changes: []drift.Change{{Field: "altitude_m", Value: 2100.0}}}})
	return t, history
}

// crowd is a fleet of n machines, most of them fit.
func crowd(n int) *fake {
	f := yard()
	base := f.machines[len(f.machines)-2]
	for i := len(f.machines); i < n; i++ {
		m, a, settings := base, *base.Assessment, *base.Settings
		m.Assessment, m.Settings = &a, &settings
		m.Machine = fmt.Sprintf("X-%04d", i)
		m.Site = fmt.Sprintf("Site %d", i%40)
		f.machines = append(f.machines, m)
		f.traces[m.Machine] = f.traces[base.Machine]
	}
	f.lookBack, f.compared = doubted(), twoCleavers()
	return f
}

func body(w *httptest.ResponseRecorder) string { return strings.TrimSpace(w.Body.String()) }

// days makes the book of the fake's histories. The state of each past day is made up, and
// that of the oldest days not there yet.
func (f *fake) days() *health.Book {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.book != nil {
		return f.book
	}
	today := health.DayOf(noon)
	f.book = &health.Book{Version: 1, Until: today, Stated: today - 80}
	for k, m := range f.machines {
		history := f.history[m.Machine]
		if history == nil {
			history = f.history["M-09"] // one of a crowd
		}
		d := health.NewDiary(m.Machine, m.Settings.Depot)
		for i := range history {
			if history[i].Correction == nil {
				d.Take(&history[i], []advise.Owed{{Rule: advise.StartOfDay, Kept: i%5 > 0}})
			}
		}
		rows := d.Close(today)
		for i := range rows {
			if r := &rows[i]; r.State == health.Pending && r.Day < today && r.Day >= f.book.Stated {
				r.State = health.StateOf(advise.States()[(k+i/9)%5])
			}
		}
		f.book.Machines = append(f.book.Machines, health.Machine{Name: m.Machine, Rows: rows})
	}
	slices.SortFunc(f.book.Machines, func(a, b health.Machine) int { return strings.Compare(a.Name, b.Name) })
	return f.book
}
