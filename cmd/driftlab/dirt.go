package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/blind"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// dirtCounts counts runs of sessions of a machine that was fit before them: up to three,
// or up to a service. A contamination is noticed when the state is no longer fit or the
// pair is worth watching, and called when the state is service soon or stop.
type dirtCounts struct {
	soiled, noticed, called              int // with a contamination just before the run
	clean, noticedWithout, calledWithout int // without one, from a week before to the end
}

func (c *dirtCounts) add(o *dirtCounts) {
	c.soiled += o.soiled
	c.noticed += o.noticed
	c.called += o.called
	c.clean += o.clean
	c.noticedWithout += o.noticedWithout
	c.calledWithout += o.calledWithout
}

func dirtCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn", fleets: 3, machines: 60}
	known := synthWorlds("sudden-dirt")
	cmd := &cobra.Command{
		Use:   "dirt",
		Short: "Count how soon sudden contamination is noticed, and how often in error",
		Long: `Learns from the first half of the days, then follows each machine through the rest.
Counts the contaminations of machines that were fit that are noticed within three
sessions, and the runs of three sessions without one that look the same. A fleet of
60 machines over 240 days takes about 12 s of one processor.`,
		Example: "  driftlab dirt --check",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	cmd.Flags().Lookup("step").Hidden = true
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.compare(cmd.Context(), e, known, dirtMeasures(), dirtBars(), followDirt)
	}
	return cmd
}

func dirtMeasures() []measure {
	return []measure{
		{"dirt_noticed", "contaminations noticed within three sessions", func(t *tally) (float64, int) {
			return ratio(t.dirt.noticed, t.dirt.soiled), t.dirt.soiled
		}, less, share},
		{"dirt_called", "  with a call for service or a stop", func(t *tally) (float64, int) {
			return ratio(t.dirt.called, t.dirt.soiled), t.dirt.soiled
		}, less, share},
		{"noticed_without", "the same without a contamination: noticed", func(t *tally) (float64, int) {
			return ratio(t.dirt.noticedWithout, t.dirt.clean), t.dirt.clean
		}, more, share},
		{"called_without", "  with a call for service or a stop", func(t *tally) (float64, int) {
			return ratio(t.dirt.calledWithout, t.dirt.clean), t.dirt.clean
		}, more, share},
	}
}

// dirtBars keep what was reached: 0.76, 0.26 and 0.00 on seeds 1 to 3. They are for all
// cases together, as one fleet has few contaminations.
func dirtBars() []bar {
	bars := []bar{atLeast("dirt_noticed", allData, 0.65), atMost("noticed_without", allData, 0.35), atMost("called_without", allData, 0.02)}
	for i := range bars {
		bars[i].pooled = true
	}
	return bars
}

// followDirt judges one fleet.
func followDirt(ctx context.Context, t *trial) (*judgement, error) {
	got, b, err := t.takeIn(ctx)
	if err != nil {
		return nil, err
	}
	half := t.wish.Start.AddDate(0, 0, t.wish.Days/2)
	past, err := fleet.Pasts(b, half)
	if err != nil {
		return nil, err
	}
	pop := forecast.Learn(sampleOf(past))
	whole, err := fleet.Pasts(b, got.end)
	if err != nil {
		return nil, err
	}
	parts := tallies{}
	for i := range whole {
		m := got.truth[whole[i].Machine]
		if len(whole[i].Events) == 0 || m == nil {
			continue
		}
		all := statesOf(&whole[i], model.NewMachine(whole[i].Machine, pop.For(whole[i].Key)), half)
		all.count(m.Life.(life).Machine, &parts.of(m.Grade).dirt)
	}
	parts.total()
	return judgementOf(parts, got), nil
}

// sampleOf enrols all machines that have events.
func sampleOf(pasts []backtest.Past) *model.Sample {
	var sample model.Sample
	for i := range pasts {
		if len(pasts[i].Events) > 0 {
			sample.Enrol(pasts[i].History)
		}
	}
	return &sample
}

// worthWatching is the state of a machine that is fit and whose pair is worth watching.
const worthWatching advise.State = "worth watching"

// sessions are those of one machine, with the state after each of their attempts.
type sessions struct {
	began  []time.Time
	stay   []int // how often the pair had been serviced
	states [][]advise.State
}

// statesOf updates the machine with its records and assesses it after each attempt from
// a moment on.
func statesOf(p *backtest.Past, m *model.Machine, from time.Time) (out sessions) {
	var verdicts []advise.Verdict // the last is that of the present session
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
			if ev.NewSession || len(out.began) == 0 {
				out.began, out.stay, out.states = append(out.began, ev.Time), append(out.stay, stay), append(out.states, nil)
			}
			last := len(out.states) - 1
			out.states[last] = append(out.states[last], stateAfter(p, m, verdicts, uint64(i), ev.Time))
		}
	}
	return out
}

// stateAfter assesses the machine and puts its verdict in the last place of verdicts.
func stateAfter(p *backtest.Past, m *model.Machine, verdicts []advise.Verdict, seed uint64, now time.Time) advise.State {
	const paths = 150
	present := len(verdicts) - 1
	life := forecast.Run(m, forecast.Plan{Paths: paths, Horizon: advise.VerdictHorizon(m), AttemptLimit: int(p.Settings.AttemptLimit), Seed: seed})
	state := advise.Assess(&advise.Subject{
		Machine: p.Machine, Records: m.Attempts(), Last: now, Known: m, Life: life, Settings: p.Settings, Earlier: verdicts[:present],
	}, now).State
	verdicts[present] = advise.Judge(m, life)
	if state == advise.Fit && verdicts[present].Failing >= advise.WorthWatching {
		return worthWatching
	}
	return state
}

// count takes each run of three sessions, or up to a service, after a session at whose
// end the machine was fit.
func (s *sessions) count(m *synth.Machine, c *dirtCounts) {
	came := func(from, to time.Time) bool {
		for _, d := range m.Dirt {
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
		noticed, called := seenIn(s.states[i:end])
		switch {
		case came(s.began[i-1], s.began[i]):
			c.soiled++
			c.noticed += noticed
			c.called += called
		case !came(s.began[i].AddDate(0, 0, -7), s.began[end-1]):
			c.clean++
			c.noticedWithout += noticed
			c.calledWithout += called
		}
	}
}

// seenIn returns 1 or 0: whether a run of sessions notices, and whether it calls.
func seenIn(run [][]advise.State) (noticed, called int) {
	for _, session := range run {
		for _, s := range session {
			if s != advise.Fit {
				noticed = 1
			}
			if s == advise.ServiceSoon || s == advise.Stop {
				called = 1
			}
		}
	}
	return noticed, called
}

// synthWorlds are worlds of drift/synth by name.
func synthWorlds(names ...string) (out []world) {
	for _, name := range names {
		w, _ := synth.WorldNamed(name)
		out = append(out, world{name, func(wish blind.Wish) *blind.Fleet { return fleetOf(w, wish) }})
	}
	return out
}
