package backtest

import (
	"cmp"
	"hash/fnv"
	"math"
	"runtime"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Source returns all machines by their records until a moment. Nothing later may show in
// it.
type Source func(asOf time.Time) ([]Past, error)

// A replay stops at fixed moments: the first after firstDays of history, then
// every EveryDays, unless its plan says otherwise.
const (
	firstDays = 60
	EveryDays = 14
)

// Plan says how to replay.
type Plan struct {
	// Seed is of the forecasts' simulations; equal seeds give equal replays.
	Seed uint64
	// Progress, if not nil, is told after each moment how many of all are done.
	Progress func(done, of int)
	// Truth, if not nil, says which failures were the electrodes', and what the oracle
	// knows.
	Truth Truth
	// Questions, if not nil, returns the questions of a machine's crew, in time order:
	// each is answered from the records until then.
	Questions func(machine string) []advise.Move
	// EveryDays is the number of days between two moments, 0 for [EveryDays]. At each
	// moment all parameters are estimated again, which takes most of a replay's time.
	EveryDays int
}

// Paths of the forecasts that are scored, and of the verdicts after sessions.
const (
	Paths        = 400
	verdictPaths = 150
)

// Replay has what would have been said at the time, beside what came of it.
type Replay struct {
	Seed     uint64
	Machines int
	// Moments are those at which forecasts were made; none if the history is
	// shorter than what is needed to learn.
	Moments []time.Time
	// Until is the end of the records.
	Until time.Time
	Cases []Case
	Moves []MoveCase
	Watch Watch
	// Blend are the weights of forecasts at the last moment.
	Blend []BlendRow
	// Diagnostics are those of the parameters estimated at the last moment.
	Diagnostics []string
	// Levels has one entry a moment, States one a session or service after the first
	// moment, Answers one a question; each machine's in time order.
	Levels  []Level
	States  []StateCase
	Answers []AnswerCase
}

// Level is what would have been said of a machine's required power at a moment, for the
// program in use.
type Level struct {
	Machine, Program string
	Moment           time.Time
	advise.Drift
}

// StateCase is the state of a machine from a moment on, until the next of the same
// machine: at the end of a session, or none where a service ended it.
type StateCase struct {
	Machine string
	From    time.Time
	State   advise.State
}

// AnswerCase is a question of [Plan.Asked] with its answer.
type AnswerCase struct {
	Question advise.Move
	advise.MoveAnswer
}

// Case is one forecast of a pair's arcs to failure, by each forecaster.
type Case struct {
	Machine string
	Moment  time.Time
	Grade   model.Grade
	// PerDay is the pace that turns arcs into days.
	PerDay float64
	// Arcs and Days to the failure; if Censored, to the last record of the pair.
	Arcs, Days float64
	Censored   bool
	// Stated are the outlooks, in the order of [Forecasters].
	Stated []Outlook
}

// Run replays the history of a source up to now. At each moment the populations are
// estimated from the records until then, and each machine is updated from its first
// record on and forecast. Until the next moment it then goes through its records one by
// one: with a site check at each move and an assessment after each session. What came of
// it is taken from the whole history. An error is the source's.
func Run(at Source, now time.Time, plan Plan) (*Replay, error) {
	whole, err := at(now)
	if err != nil {
		return nil, err
	}
	r := &Replay{Seed: plan.Seed, Watch: Watch{Known: plan.Truth != nil}}
	if r.span(whole, cmp.Or(plan.EveryDays, EveryDays)); len(r.Moments) == 0 {
		return r, nil
	}
	walkers := map[string]*walker{}
	for i := range whole {
		w := &walker{seed: plan.Seed ^ hash(whole[i].Machine), whole: &whole[i], truth: plan.Truth}
		w.failed, _ = whole[i].failuresOf(w.electrodes)
		if plan.Questions != nil {
			w.asked = plan.Questions(w.whole.Machine)
		}
		walkers[whole[i].Machine] = w
	}
	past, err := at(r.Moments[0])
	if err != nil {
		return nil, err
	}
	for i, moment := range r.Moments {
		next := whole
		if i+1 < len(r.Moments) {
			if next, err = at(r.Moments[i+1]); err != nil {
				return nil, err
			}
		}
		until := now
		if i+1 < len(r.Moments) {
			until = r.Moments[i+1]
		}
		r.stage(moment, until, past, next, walkers)
		past = next
		if plan.Progress != nil {
			plan.Progress(i+1, len(r.Moments))
		}
	}
	r.collect(walkers)
	return r, nil
}

// span finds the moments; a short history has none. It begins when half of the machines
// had begun, so that one clock that was years slow does not matter.
func (r *Replay) span(whole []Past, every int) {
	var first []time.Time
	for i := range whole {
		events := whole[i].Events
		if len(events) == 0 {
			continue
		}
		first = append(first, events[0].Time)
		if last := events[len(events)-1].Time; last.After(r.Until) {
			r.Until = last
		}
	}
	if r.Machines = len(first); r.Machines == 0 {
		return
	}
	slices.SortFunc(first, time.Time.Compare)
	begin := first[(len(first)-1)/2]
	const day = 24 * time.Hour
	for m := begin.UTC().Truncate(day).Add(firstDays * day); m.Before(r.Until); m = m.Add(time.Duration(every) * day) {
		r.Moments = append(r.Moments, m)
	}
}

// stage does one moment and the records up to the next, for each machine.
func (r *Replay) stage(moment, until time.Time, past, next []Past, walkers map[string]*walker) {
	var sample model.Sample
	for i := range past {
		if len(past[i].Events) > 0 {
			sample.Enrol(past[i].History)
		}
	}
	pop := forecast.Learn(&sample)
	r.Blend, r.Diagnostics = blendRows(pop), diagnostics(pop)
	known := studyLives(past)
	were := map[string]*Past{}
	for i := range past {
		were[past[i].Machine] = &past[i]
	}
	each(len(next), func(i int) {
		p := &next[i]
		w := walkers[p.Machine]
		if w == nil || len(p.Events) == 0 {
			return // its records were moved elsewhere since
		}
		w.machine = model.NewMachine(p.Machine, pop.For(p.Key))
		w.lives = known.of(p.Key.Model)
		w.count = bestCount(w.lives)
		if was := were[p.Machine]; was != nil {
			w.forecast(moment, was)
		}
		w.lead(moment, until, p)
	})
}

// each calls do for 0 to n−1 on all processors.
func each(n int, do func(i int)) {
	var group sync.WaitGroup
	todo := make(chan int)
	for range min(n, runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for i := range todo {
				do(i)
			}
		})
	}
	for i := range n {
		todo <- i
	}
	close(todo)
	group.Wait()
}

// collect gathers the results of the walkers, in order of name and time.
func (r *Replay) collect(walkers map[string]*walker) {
	names := make([]string, 0, len(walkers))
	for name := range walkers {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		w := walkers[name]
		r.Cases = append(r.Cases, w.cases...)
		r.Moves = append(r.Moves, w.moves...)
		r.Levels = append(r.Levels, w.levels...)
		r.States = append(r.States, w.states...)
		r.Answers = append(r.Answers, w.answers...)
		r.Watch.add(w, r.Moments[0], r.Until)
	}
	slices.SortStableFunc(r.Cases, func(a, b Case) int { return cmp.Compare(a.Moment.UnixNano(), b.Moment.UnixNano()) })
}

// walker replays one machine.
type walker struct {
	seed   uint64
	whole  *Past
	truth  Truth // nil where it is not known
	failed []forecast.Failure

	machine *model.Machine // as learnt at the last moment
	lives   []fit.Life
	count   float64 // the fixed one, best on the past
	pair    int
	cases   []Case
	moves   []MoveCase
	guards  [watchers]guard
	earlier []advise.Verdict
	last    *drift.Calibration // of the session before
	asked   []advise.Move      // still to be answered
	levels  []Level
	states  []StateCase
	answers []AnswerCase
}

// forecast updates the machine up to the moment and keeps the forecasts for its pair, if
// that is in use and has records later.
func (w *walker) forecast(moment time.Time, was *Past) {
	for i := range was.Events {
		w.machine.Update(&was.Events[i])
	}
	if w.machine.Attempts() > 0 {
		w.levels = append(w.levels, Level{was.Machine, w.machine.Program(), moment, advise.DriftOf(w.machine, &was.Settings)})
	}
	fate, heard := w.whole.fateAfter(moment, w.failed)
	if _, down := was.failures(); down || !heard || w.machine.Attempts() == 0 {
		return
	}
	_, arcs, _, _ := w.machine.Pair()
	count := point(max(w.count-arcs, 0))
	line, ok := lastPoints(was.Events, w.machine.Params())
	if !ok {
		line = count
	}
	life := w.life(was.Settings.AttemptLimit, Paths, forecast.Horizon)
	w.cases = append(w.cases, Case{
		Machine: was.Machine, Moment: moment, Grade: w.machine.Grade(), PerDay: w.pace(),
		Arcs: fate.arcs, Days: fate.days, Censored: fate.censored,
		Stated: []Outlook{outlookOf(life.Quantile), fleetLifetimes(w.lives, arcs), count, line},
	})
}

// life forecasts the machine in its present state.
func (w *walker) life(limit int64, paths int, horizon float64) forecast.Life {
	pair, arcs, _, _ := w.machine.Pair()
	return forecast.Run(w.machine, forecast.Plan{
		Paths: paths, Horizon: horizon, AttemptLimit: int(limit),
		Seed: w.seed ^ uint64(pair)<<48 ^ math.Float64bits(arcs),
	})
}

// pace is the machine's arcs a day; if unknown, those of a quiet working day (a guess).
func (w *walker) pace() float64 {
	const quiet = 40
	if pace := w.machine.PerDay(); pace > 0 {
		return pace
	}
	return quiet
}

// lead takes the machine through the records after the moment.
func (w *walker) lead(moment, until time.Time, p *Past) {
	w.asked = slices.DeleteFunc(w.asked, func(q advise.Move) bool { return q.AsOf.Before(moment) })
	for i := p.upTo(moment); i < len(p.Events); i++ {
		ev := &p.Events[i]
		w.answer(p, ev.Time)
		if ev.Kind == model.Attempt && ev.NewSession {
			w.visit(p, i)
		}
		w.machine.Update(ev)
		w.watch(p, i)
	}
	w.answer(p, until)
}

// answer answers the questions from before a moment, unless the machine has no attempt
// yet.
func (w *walker) answer(p *Past, until time.Time) {
	site := advise.Site{Known: w.machine, Settings: p.Settings}
	for len(w.asked) > 0 && w.asked[0].AsOf.Before(until) {
		if w.machine.Attempts() > 0 {
			w.answers = append(w.answers, AnswerCase{w.asked[0], site.Recalibrated(w.asked[0])})
		}
		w.asked = w.asked[1:]
	}
}

func hash(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}

// Join returns the replays of several fleets, at least one, as one. Their moments must be
// equal.
func Join(all []*Replay) *Replay {
	out := *all[0]
	for _, r := range all[1:] {
		out.Machines += r.Machines
		if r.Until.After(out.Until) {
			out.Until = r.Until
		}
		out.Cases = slices.Concat(out.Cases, r.Cases)
		out.Moves = slices.Concat(out.Moves, r.Moves)
		out.Blend = slices.Concat(out.Blend, r.Blend)
		out.Watch.Alerts = slices.Concat(out.Watch.Alerts, r.Watch.Alerts)
		out.Watch.Failures = slices.Concat(out.Watch.Failures, r.Watch.Failures)
		out.Watch.Months += r.Watch.Months
	}
	return &out
}
