package agent

import (
	"context"

	"arcdrift/agent/cli"
)

// Env is everything the program is given from outside.
type Env = cli.Env

// Run carries out one command line and returns the exit code.
func Run(ctx context.Context, env Env) int { return cli.Run(ctx, env) }
