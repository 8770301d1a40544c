package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/blind"
	"arcdrift/drift/forecast"
)

// trial is one fleet to be invented, replayed and judged.
type trial struct {
	world world
	wish  blind.Wish
	// every is the number of days between two moments of its replay.
	every int
}

// name distinguishes the fleet from others: with it, it can be invented again.
func (t *trial) name() string { return fmt.Sprintf("%s %d", t.world.name, t.wish.Seed) }

// played is a fleet as an agent received it and replayed it.
type played struct {
	*blind.Fleet
	truth  truth
	replay *backtest.Replay
	start  time.Time
	end    time.Time
	lines  int
	// refused says why, of each line that was.
	refused []string
}

// takeIn invents the fleet and takes its lines in.
func (t *trial) takeIn(ctx context.Context) (*played, *memory, error) {
	invented := t.world.make(t.wish)
	b, err := take(ctx, invented.Lines)
	if err != nil {
		return nil, nil, err
	}
	out := &played{
		Fleet: invented, truth: truthOf(invented), lines: len(invented.Lines),
		start: t.wish.Start, end: t.wish.Start.AddDate(0, 0, t.wish.Days),
	}
	for i := range b.refused {
		out.refused = append(out.refused, fmt.Sprintf("%s, line %d: %s", t.name(), b.refused[i].Line, b.refused[i].Problem.Error()))
	}
	return out, b, nil
}

// play invents the fleet, takes its lines in and replays them. With known, what the
// oracle would have answered is asked for too, which takes its time.
func (t *trial) play(ctx context.Context, known bool) (*played, error) {
	out, b, err := t.takeIn(ctx)
	if err != nil {
		return nil, err
	}
	plan := backtest.Plan{Seed: t.wish.Seed, Questions: func(machine string) []advise.Move { return out.truth.asked(machine, b.barometer(machine)) }, EveryDays: t.every}
	if known {
		plan.Truth = out.truth
	}
	pasts := func(asOf time.Time) ([]backtest.Past, error) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		return fleet.Pasts(b, asOf)
	}
	out.replay, err = backtest.Run(pasts, out.end, plan)
	return out, err
}

// truth is the truth of each machine, by name.
type truth map[string]*blind.Machine

func truthOf(f *blind.Fleet) truth {
	out := make(truth, len(f.Machines))
	for i := range f.Machines {
		out[f.Machines[i].Name] = &f.Machines[i]
	}
	return out
}

// futures is how many draws give a chance: a standard error of 0.05 at
// most.
const futures = 100

// Chance implements [backtest.Truth].
func (t truth) Chance(machine string, at time.Time, arcs float64) float64 {
	m := t[machine]
	if m == nil {
		return 0 // a misspelt name: no machine
	}
	// Where all end beyond the horizon, the horizon is what they are given as.
	horizon := min(int64(math.Floor(arcs))+1, forecast.Horizon)
	n := 0
	for _, left := range m.Futures(at, horizon, futures, uint64(at.Unix())) {
		if float64(left) <= arcs {
			n++
		}
	}
	return float64(n) / futures
}

// Electrodes implements [backtest.Truth].
func (t truth) Electrodes(machine string, session time.Time) bool {
	m := t[machine]
	return m == nil || m.Electrodes(session)
}

// asked are the questions of a machine's crew: one at each of its moves. Station
// pressure is given by crews whose machine reports it.
func (t truth) asked(machine string, barometer bool) []advise.Move {
	m := t[machine]
	if m == nil {
		return nil
	}
	out := make([]advise.Move, len(m.Moves))
	for i, v := range m.Moves {
		out[i] = advise.Move{
			Machine: machine, AsOf: v.At,
			Temperature: drift.Some(v.Air.TemperatureC), Humidity: drift.Some(v.Air.HumidityPct), Altitude: drift.Some(v.Air.AltitudeM),
		}
		if barometer {
			out[i].Pressure = drift.Some(v.Air.PressureHPa)
		}
	}
	return out
}
