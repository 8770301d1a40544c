package agent

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/backtest"
	"arcdrift/drift/synth"
)

// invention says which fleets to invent and replay, each for itself.
type invention struct {
	kinds          []string
	machines, days int
	seed           uint64
}

// everyKind stands for all kinds of fleet.
const everyKind = "all"

// worlds are the kinds asked for.
func (v *invention) worlds() ([]synth.World, error) {
	if slices.Equal(v.kinds, []string{everyKind}) {
		return synth.Worlds(), nil
	}
	var out []synth.World
	for _, kind := range v.kinds {
		w, ok := synth.WorldNamed(kind)
		if !ok {
			var known []string
			for _, w := range synth.Worlds() {
				known = append(known, w.Name)
			}
			return nil, usagef("invented is %q: it must be %s or some of %s", kind, everyKind, strings.Join(known, ", "))
		}
		out = append(out, w)
	}
	return out, nil
}

// replayOr replays the fleets, or the store if none is asked for.
func (v *invention) replayOr(cmd *cobra.Command, env Env) (*backtest.Replay, error) {
	if len(v.kinds) > 0 {
		return v.replay(cmd.Context(), env)
	}
	for _, name := range []string{"machines", "days", "seed"} {
		if cmd.Flags().Changed(name) {
			return nil, usagef("%s is of an invented fleet: say its kind with --invented", name)
		}
	}
	return replay(cmd.Context(), env, dbPath(cmd))
}

// replay invents the fleets, lets them live up to today and replays them.
func (v *invention) replay(ctx context.Context, env Env) (*backtest.Replay, error) {
	worlds, err := v.worlds()
	if err != nil {
		return nil, err
	}
	if v.machines < 1 || v.days < 1 {
		return nil, usagef("machines and days must be 1 at least")
	}
	start := env.Now().UTC().AddDate(0, 0, -v.days)
	var all []*backtest.Replay
	for _, w := range worlds {
		one := synth.Make(w, v.seed, v.machines, start, v.days)
		told := taleOf(one.Records)
		pasts := func(asOf time.Time) ([]backtest.Past, error) {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			return fleet.Pasts(told, asOf)
		}
		plan := backtest.Plan{Seed: v.seed, Truth: inventor{one.Truth}, Progress: progress(env, w.Name+": ")}
		replayed, err := backtest.Run(pasts, env.Now(), plan)
		if err != nil {
			return nil, err
		}
		all = append(all, replayed)
	}
	return backtest.Join(all), nil
}

// inventor knows the truth of an invented fleet.
type inventor struct{ *synth.Truth }

// futures is how many draws a chance is told from: a standard error of 0.05 at
// most.
const futures = 100

// Chance is that of a failure within so many arcs, by one who knows the machine
// as it stands and all laws, but not chance.
func (v inventor) Chance(machine string, at time.Time, arcs float64) float64 {
	// Where all end beyond the horizon, the horizon is what they are given as.
	horizon := int64(math.Floor(arcs)) + 1
	n := 0
	for _, left := range v.Machine(machine).Futures(at, horizon, futures, uint64(at.Unix())) {
		if float64(left) <= arcs {
			n++
		}
	}
	return float64(n) / futures
}

// Electrodes says whether the last session that had begun at a moment would have
// been given up with well-prepared ends too.
func (v inventor) Electrodes(machine string, session time.Time) bool {
	all := v.Machine(machine).Sessions
	n, _ := slices.BinarySearchFunc(all, session, func(s synth.Session, at time.Time) int {
		if s.Time.After(at) {
			return 1
		}
		return -1
	})
	return n > 0 && !all[n-1].Fit
}

// tale is an invented fleet's records as a store would give them, each
// arrived when it happened.
type tale struct {
	machines map[string][]drift.Entry
	setups   []drift.Entry
}

func taleOf(all []drift.Record) *tale {
	b := &tale{machines: map[string][]drift.Entry{}}
	for i, r := range all {
		e := drift.Entry{Record: r, Received: r.Time, StoreSeq: uint64(i + 1)}
		if r.Type == drift.TypeSetup {
			b.setups = append(b.setups, e)
			continue
		}
		b.machines[r.Machine] = append(b.machines[r.Machine], e)
	}
	return b
}

// Machines returns the names in order.
func (b *tale) Machines() ([]string, error) {
	names := make([]string, 0, len(b.machines))
	for name := range b.machines {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, nil
}

// History returns everything of one machine.
func (b *tale) History(machine string) ([]drift.Entry, error) {
	return slices.Clone(b.machines[machine]), nil
}

// Setups returns the setups of all scopes.
func (b *tale) Setups() ([]drift.Entry, error) { return slices.Clone(b.setups), nil }

// Refused is nothing: what is invented is valid.
func (b *tale) Refused() (map[string]int, error) { return map[string]int{}, nil }

// progress tells how far a replay is, on a terminal.
func progress(env Env, what string) func(done, of int) {
	if !env.Terminal {
		return nil
	}
	return func(done, of int) {
		fmt.Fprintf(env.Stderr, "\r%s%d of %d moments …", what, done, of)
		if done == of {
			fmt.Fprint(env.Stderr, "\r\x1b[K")
		}
	}
}
