package fleet_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// BenchmarkSuddenDirt counts how many contaminations of machines that were fit, with
// nothing to watch, are noticed within three sessions: the answer no longer says so.
// And how many of them call for service or a stop by then, and how many of three
// sessions before which nothing had happened do either. Taught on the first half of
// 240 days, 60 machines; -benchtime 1x.
func BenchmarkSuddenDirt(b *testing.B) {
	w, ok := synth.WorldNamed("sudden-dirt")
	require.True(b, ok)
	for seed := uint64(41); seed <= 43; seed++ {
		b.Run(fmt.Sprintf("seed=%d", seed), func(b *testing.B) {
			var dirt, none noticed
			for b.Loop() {
				dirt, none = watchDirt(b, w, seed)
			}
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(dirt.cases, "cases")
			b.ReportMetric(dirt.called/dirt.cases, "called")
			b.ReportMetric(dirt.seen/dirt.cases, "noticed")
			b.ReportMetric(none.called/none.cases, "called-without")
			b.ReportMetric(none.seen/none.cases, "noticed-without")
		})
	}
}

// watched is a machine that is fit and whose pair is said to be worth watching.
const watched advise.State = "watched"

// noticed counts runs of three sessions, those in which service was called, and those
// in which the machine was no longer fit or its pair worth watching.
type noticed struct{ cases, called, seen float64 }

func (n *noticed) add(states [][]advise.State) {
	n.cases++
	called, seen := 0.0, 0.0
	for _, session := range states {
		for _, s := range session {
			if s != advise.Fit {
				seen = 1
			}
			if s == advise.ServiceSoon || s == advise.Stop {
				called = 1
			}
		}
	}
	n.called += called
	n.seen += seen
}

func watchDirt(b *testing.B, w synth.World, seed uint64) (dirt, none noticed) {
	const machines, days, taught = 60, 240, 120
	start := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC).AddDate(0, 0, -days)
	taughtBy := start.AddDate(0, 0, taught)
	invented := synth.Make(w, seed, machines, start, days)
	told := fleet.NewRecords(invented.Records)
	past, err := fleet.Pasts(told, taughtBy)
	require.NoError(b, err)
	var sample model.Sample
	for i := range past {
		if len(past[i].Events) > 0 {
			sample.Enrol(past[i].History)
		}
	}
	pop := forecast.Learn(&sample)
	whole, err := fleet.Pasts(told, time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC))
	require.NoError(b, err)
	for i := range whole {
		if len(whole[i].Events) == 0 {
			continue
		}
		all := statesOf(&whole[i], model.NewMachine(whole[i].Machine, pop.For(whole[i].Key)), taughtBy)
		all.count(invented.Truth.Machine(whole[i].Machine), &dirt, &none)
	}
	return dirt, none
}

// sessions are those of one machine, with what was said at each of their attempts.
type sessions struct {
	began  []time.Time
	stay   []int // how often the pair had been serviced
	states [][]advise.State
}

// statesOf leads the machine through its records and says its state at each attempt
// from a moment on, for each session until the pair is serviced.
func statesOf(p *backtest.Past, m *model.Machine, from time.Time) (out sessions) {
	var verdicts []advise.Verdict // the last is that of the session now
	stay := 0
	for i := range p.Events {
		ev := &p.Events[i]
		m.Update(ev)
		switch ev.Kind {
		case model.Cleaned, model.Replaced, model.Unlogged:
			verdicts = nil
			stay++
		case model.Attempt:
			if ev.NewSession || len(verdicts) == 0 {
				verdicts = append(verdicts, advise.Verdict{})
				verdicts = verdicts[max(0, len(verdicts)-3):]
			}
			if ev.Time.Before(from) {
				continue
			}
			life := forecast.Run(m, forecast.Plan{Paths: 150, Horizon: advise.VerdictHorizon(m), AttemptLimit: int(p.Settings.AttemptLimit), Seed: uint64(i)})
			a := advise.Assess(&advise.Subject{
				Machine: p.Machine, Records: m.Attempts(), Last: ev.Time, Known: m, Life: life, Settings: p.Settings, Earlier: verdicts[:len(verdicts)-1],
			}, ev.Time)
			verdicts[len(verdicts)-1] = advise.Judge(m, life)
			if ev.NewSession || len(out.began) == 0 {
				out.began, out.stay, out.states = append(out.began, ev.Time), append(out.stay, stay), append(out.states, nil)
			}
			last := len(out.states) - 1
			state := a.State
			if state == advise.Fit && verdicts[len(verdicts)-1].Failing >= advise.WorthWatching {
				state = watched
			}
			out.states[last] = append(out.states[last], state)
		}
	}
	return out
}

// count takes each three sessions in a row, or those up to a service, that a session
// at whose end the machine was fit went before: those that dirt had come before, and
// those from a week before the first of which to the last none had.
func (s *sessions) count(truth *synth.Machine, dirt, none *noticed) {
	came := func(from, to time.Time) bool {
		for _, d := range truth.Dirt {
			if d.Time.After(from) && !d.Time.After(to) {
				return true
			}
		}
		return false
	}
	const run = 3
	for i := 1; i+run <= len(s.began); i++ {
		before := s.states[i-1]
		if s.stay[i] != s.stay[i-1] || before[len(before)-1] != advise.Fit {
			continue
		}
		end := i + 1
		for end < i+run && s.stay[end] == s.stay[i] {
			end++
		}
		switch {
		case came(s.began[i-1], s.began[i]):
			dirt.add(s.states[i:end])
		case !came(s.began[i].AddDate(0, 0, -7), s.began[end-1]):
			none.add(s.states[i:end])
		}
	}
}
