package cli

import (
	"arcdrift/agent/fleet"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift/backtest"
	"context"
	"fmt"
	"time"
)

// replaySeed is of the replay's simulations; it is shown with the answer.
const replaySeed = 1

// replay replays a copy of the store.
func replay(ctx context.Context, env Env, from reach.Location) (replayed *backtest.Replay, err error) {
	err = from.ReadCopy(ctx, func(s store.Reader, _ reach.Store) error {
		at := func(asOf time.Time) ([]backtest.Past, error) {
			if err := ctx.Err(); err != nil {
				return nil, err // stopped by hand: moments are where to stop
			}
			return fleet.Pasts(s, asOf)
		}
		replayed, err = backtest.Run(at, env.Now(), backtest.Plan{Seed: replaySeed, Progress: progress(env, "")})
		return err
	})
	return replayed, err
}

// progress shows how far a replay is, on a terminal.
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
