package cli

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
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
	return replay(cmd.Context(), env, env.location(cmd))
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
		records := fleet.NewRecords(one.Records)
		pasts := func(asOf time.Time) ([]backtest.Past, error) {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			return fleet.Pasts(records, asOf)
		}
		plan := backtest.Plan{Seed: v.seed, Truth: one.Truth, Progress: progress(env, w.Name+": ")}
		replayed, err := backtest.Run(pasts, env.Now(), plan)
		if err != nil {
			return nil, err
		}
		all = append(all, replayed)
	}
	return backtest.Join(all), nil
}
