package backtest

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// worn is a machine with full data that goes through pairs: their power need
// rises and their scatter grows, until a session fails and the bench replaces
// them. What happens from day turn on depends on another seed.
func worn(name string, seed, then uint64, days, turn int) Past {
	p := Past{History: model.History{Machine: name, Key: model.Key{Model: "type-1"}, AttemptLimit: 4}, Settings: drift.Settings{AttemptLimit: 4, CheckMinutes: 5, OutMinutes: 60}}
	rng := rand.New(rand.NewPCG(seed, 1))
	pair, arcs, setting := 0, 0.0, 0.0
	add := func(ev model.Event, c *drift.Calibration) {
		ev.Pair, ev.Arcs = pair, arcs
		p.Events, p.Calibrations = append(p.Events, ev), append(p.Calibrations, c)
	}
	for day := range days {
		if day == turn {
			rng = rand.New(rand.NewPCG(then, 2))
		}
		at := dawn.Add(time.Duration(24*day+7) * time.Hour)
		step := 40 + 30*rng.Float64()
		arcs += step
		c := &drift.Calibration{Temperature: drift.Some(math.Round(10 + 8*rng.NormFloat64())), Altitude: drift.Some(100.0)}
		air := model.Regressors(c.Temperature.Or(0), 65, 1000, c.Temperature.Or(0))
		need, scatter := 3*arcs/1000+0.4*air[0], 1.2*(1+math.Pow(arcs/1200, 4))
		passed := false
		for i := 0; i < 4 && !passed; i++ {
			deviation := need + scatter*rng.NormFloat64() - setting
			passed = math.Abs(deviation) < 5
			ev := model.Event{
				Kind: model.Attempt, Time: at.Add(time.Duration(i) * time.Minute), Tries: 1, Ordinal: int64(i + 1), NewSession: i == 0, Passed: passed,
				Melt: drift.Some(-2 * deviation), Setting: drift.Some(setting), Air: air,
				Target: drift.Some(260.0), Tolerance: drift.Some(26.0), Limit: drift.Some(20.0),
			}
			if i == 0 {
				ev.Step = step
			}
			setting += 0.7 * deviation
			ev.Next = drift.Some(setting)
			add(ev, c)
		}
		if !passed {
			pair, arcs = pair+1, 0
			add(model.Event{Kind: model.Replaced, Time: at.Add(time.Hour), Finding: drift.Worn}, nil)
		}
	}
	return p
}

// source cuts pasts at a moment, as a book would.
func source(pasts []Past) Source {
	return func(asOf time.Time) ([]Past, error) {
		out := slices.Clone(pasts)
		for i := range out {
			p := &out[i]
			n := p.upTo(asOf)
			p.Events, p.Calibrations = p.Events[:n:n], p.Calibrations[:n:n]
		}
		return out, nil
	}
}

const span = 89 // days: three moments

func fleetOf(turn int, then uint64) (out []Past) {
	for i := range 3 {
		out = append(out, worn(fmt.Sprintf("K-%02d", i), uint64(i), then+uint64(i), span, turn))
	}
	return out
}

func run(t testing.TB, pasts []Past) *Replay {
	t.Helper()
	r, err := Run(source(pasts), dawn.AddDate(0, 0, span), Plan{Seed: 1})
	require.NoError(t, err)
	return r
}

func TestReplayFillsEveryTable(t *testing.T) {
	r := run(t, fleetOf(span, 0))
	assert.Len(t, r.Moments, 3)
	assert.Len(t, r.Cases, 9)
	assert.NotEmpty(t, r.Moves)
	assert.NotEmpty(t, r.Watch.Failures)
	for _, a := range r.Watch.Alerts {
		assert.Equal(t, a.Raised.After(r.Until.AddDate(0, 0, -14)), a.Recent, a)
	}
	rep := r.Tables()
	assert.Len(t, rep.Arcs, 2*len(Forecasters()))
	assert.Len(t, rep.Moves, 2*len(MoveRules()))
	assert.Len(t, rep.Alerts, watchers)
	assert.Len(t, rep.Warnings, 1, "nine forecasts are few")
}

func TestTheOrderOfMachinesDoesNotMatter(t *testing.T) {
	pasts := fleetOf(span, 0)
	want := run(t, pasts).Tables()
	slices.Reverse(pasts)
	assert.Equal(t, want, run(t, pasts).Tables())
}

// Whatever the future holds, what was said before it stands.
func TestNoLookAhead(t *testing.T) {
	const turn = 75 // between the second moment and the third
	changed := dawn.AddDate(0, 0, turn)
	type said struct {
		machine string
		at      time.Time
	}
	forecasts := func(r *Replay) map[said][]Outlook {
		out := map[said][]Outlook{}
		for _, c := range r.Cases {
			if c.Moment.Before(changed) {
				out[said{c.Machine, c.Moment}] = c.Stated
			}
		}
		return out
	}
	moves := func(r *Replay) (out []MoveCase) {
		for _, m := range r.Moves {
			if m.Time.Before(changed) {
				out = append(out, m)
			}
		}
		return out
	}
	alerts := func(r *Replay) (out []said) {
		for _, a := range r.Watch.Alerts {
			if a.Raised.Before(changed) && a.Who != Hindsight { // which looks ahead, as it says
				out = append(out, said{a.Who + a.Machine, a.Raised})
			}
		}
		return out
	}
	states := func(r *Replay) (out []StateCase) {
		for _, s := range r.States {
			if s.From.Before(changed) {
				out = append(out, s)
			}
		}
		return out
	}
	before := run(t, fleetOf(turn, 1000))
	require.Len(t, forecasts(before), 6)
	require.NotEmpty(t, alerts(before))
	for then := range uint64(3) {
		after := run(t, fleetOf(turn, 2000+100*then))
		assert.NotEqual(t, before.Moves, after.Moves, "the futures do differ")
		assert.Equal(t, forecasts(before), forecasts(after))
		assert.Equal(t, moves(before), moves(after))
		assert.Equal(t, alerts(before), alerts(after))
		assert.Equal(t, states(before), states(after))
	}
}

func TestAShortHistoryIsNoError(t *testing.T) {
	for _, pasts := range [][]Past{nil, {worn("K-01", 1, 1, 20, 20)}} {
		rep := run(t, pasts).Tables()
		assert.Len(t, rep.Warnings, 1)
		assert.Contains(t, rep.Warnings[0], "60 days")
		assert.Empty(t, rep.Arcs)
	}
}

func TestASlowClockIsNotTheBeginning(t *testing.T) {
	pasts := fleetOf(span, 0)
	pasts[1].Events[0].Time = dawn.AddDate(-20, 0, 0)
	r := Replay{}
	r.span(pasts, EveryDays)
	assert.Len(t, r.Moments, 3)
}

// What is asked before the first moment is not answered; what comes after a session
// is answered from it, and what is asked at its very moment too.
func TestQuestionsAreAnsweredWhenTheyAreAsked(t *testing.T) {
	pasts := fleetOf(span, 0)
	learnt := dawn.Truncate(24*time.Hour).AddDate(0, 0, firstDays)
	session := dawn.AddDate(0, 0, firstDays+20).Add(7 * time.Hour) // as worn has them
	ask := func(at time.Time) advise.Move {
		return advise.Move{Machine: "K-01", AsOf: at, Temperature: drift.Some(10.0), Humidity: drift.Some(60.0), Altitude: drift.Some(100.0)}
	}
	asked := []advise.Move{ask(learnt.Add(-time.Second)), ask(session.Add(-time.Second)), ask(session), ask(session.Add(4 * time.Minute))}
	r, err := Run(source(pasts), dawn.AddDate(0, 0, span), Plan{Seed: 1, Questions: func(machine string) []advise.Move {
		if machine != "K-01" {
			return nil
		}
		return slices.Clone(asked)
	}})
	require.NoError(t, err)
	require.Len(t, r.Answers, 3)
	var chances []float64
	for i, a := range r.Answers {
		assert.Equal(t, asked[i+1], a.Question)
		chances = append(chances, a.ProbabilityOut.Or(math.NaN()))
	}
	assert.NotEqual(t, chances[0], chances[1], "the session at that moment is known")
}

func TestLevelsAndStatesAreKept(t *testing.T) {
	r := run(t, fleetOf(span, 0))
	require.Len(t, r.Levels, 9, "three machines at three moments")
	for _, l := range r.Levels {
		assert.True(t, l.RequiredPower.Known() && l.SD.Known(), l)
	}
	stopped := map[string]bool{}
	for i, s := range r.States {
		assert.False(t, s.From.Before(r.Moments[0]))
		stopped[s.Machine] = stopped[s.Machine] || s.State == advise.Stop
		if i > 0 && r.States[i-1].Machine == s.Machine {
			assert.False(t, s.From.Before(r.States[i-1].From))
		}
	}
	for _, f := range r.Watch.Failures {
		assert.True(t, slices.ContainsFunc(r.States, func(s StateCase) bool {
			return s.Machine == f.Machine && s.From.After(f.Time) && s.State == advise.CheckFirst
		}), "the bench has replaced the pair after the failure of %s", f.Time)
	}
	assert.Contains(t, slices.Collect(maps.Values(stopped)), true)
}

func TestMomentsAsOftenAsAsked(t *testing.T) {
	r, err := Run(source(fleetOf(span, 0)[:1]), dawn.AddDate(0, 0, span), Plan{Seed: 1, EveryDays: 20})
	require.NoError(t, err)
	require.Len(t, r.Moments, 2)
	assert.Equal(t, 20*24*time.Hour, r.Moments[1].Sub(r.Moments[0]))
}

func TestProgressIsTold(t *testing.T) {
	var told []int
	_, err := Run(source(fleetOf(span, 0)[:1]), dawn.AddDate(0, 0, span), Plan{Progress: func(done, of int) { told = append(told, done, of) }})
	require.NoError(t, err)
	assert.Equal(t, []int{1, 3, 2, 3, 3, 3}, told)
}

func TestASourceThatFailsEndsTheReplay(t *testing.T) {
	pasts := source(fleetOf(span, 0)[:1])
	for good := range 3 {
		asked := 0
		_, err := Run(func(at time.Time) ([]Past, error) {
			if asked++; asked > good {
				return nil, assert.AnError
			}
			return pasts(at)
		}, dawn.AddDate(0, 0, span), Plan{})
		require.ErrorIs(t, err, assert.AnError)
	}
}

// oracle knows nothing but one number, and one machine whose sessions were given
// up for blunt cleavers.
type oracle struct {
	chance float64
	blunt  string
}

func (o oracle) Chance(string, time.Time, float64) float64   { return o.chance }
func (o oracle) Electrodes(machine string, _ time.Time) bool { return machine != o.blunt }

func TestWhatTheTruthDecides(t *testing.T) {
	pasts := fleetOf(span, 0)[:2]
	replayed := func(truth Truth) ([]AlertRow, map[string]int) {
		r, err := Run(source(pasts), dawn.AddDate(0, 0, span), Plan{Seed: 1, Truth: truth})
		require.NoError(t, err)
		failed := map[string]int{}
		for _, f := range r.Watch.Failures {
			failed[f.Machine]++
		}
		return r.Tables().Alerts, failed
	}
	byRecords, all := replayed(nil)
	require.Equal(t, Hindsight, byRecords[byBest].Who)
	// Whoever knows what came is never wrong, and has announced every failure that
	// some session in good time came before.
	assert.Zero(t, byRecords[byBest].Wrong)
	assert.Positive(t, byRecords[byBest].Right)
	assert.GreaterOrEqual(t, byRecords[byBest].Announced, byRecords[0].Announced)
	require.Positive(t, all["K-01"])

	sure, without := replayed(oracle{chance: 1, blunt: "K-01"})
	assert.Equal(t, Oracle, sure[byBest].Who)
	assert.Positive(t, sure[byBest].Alerts)
	assert.Zero(t, without["K-01"], "not its electrodes'")
	assert.Equal(t, all["K-00"], without["K-00"])
	calm, _ := replayed(oracle{})
	assert.Zero(t, calm[byBest].Alerts)
	assert.Equal(t, sure[0].Alerts, calm[0].Alerts, "the model is not told")
}

func TestJoinAddsUp(t *testing.T) {
	one, other := run(t, fleetOf(span, 0)[:1]), run(t, fleetOf(span, 7)[:1])
	both := Join([]*Replay{one, other})
	a, b, sum := one.Tables(), other.Tables(), both.Tables()
	assert.Equal(t, 2, sum.Machines)
	assert.Equal(t, a.Moments, sum.Moments)
	for k := range sum.Alerts {
		assert.Equal(t, a.Alerts[k].Alerts+b.Alerts[k].Alerts, sum.Alerts[k].Alerts)
		assert.Equal(t, a.Alerts[k].Announced+b.Alerts[k].Announced, sum.Alerts[k].Announced)
	}
	assert.Equal(t, a.Arcs[0].N+b.Arcs[0].N, sum.Arcs[0].N)
	assert.Equal(t, a.Moves[0].N+b.Moves[0].N, sum.Moves[0].N)
	assert.Equal(t, 1, one.Machines, "what is joined stays as it was")
}

// BenchmarkReplay is of three machines over three months: three moments, and
// about a hundred verdicts.
func BenchmarkReplay(b *testing.B) {
	pasts := fleetOf(span, 0)
	for b.Loop() {
		run(b, pasts)
	}
}
