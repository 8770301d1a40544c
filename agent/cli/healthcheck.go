package cli

import (
	"arcdrift/agent/reach"
	"fmt"

	"github.com/spf13/cobra"
)

func healthcheckCommand(env Env) *cobra.Command {
	return &cobra.Command{
		Use:     "healthcheck",
		Short:   "Whether an agent runs on the store and answers",
		Long:    "Asks the agent that holds the store whether it lives; for containers and scripts.",
		Example: "  arcdrift healthcheck || echo 'no agent'",
		RunE: func(cmd *cobra.Command, _ []string) error {
			url, ok := reach.RunningAgent(cmd.Context(), dbPath(cmd))
			if !ok {
				return fmt.Errorf("no agent that answers holds the store %s", dbPath(cmd))
			}
			_, err := fmt.Fprintf(env.Stdout, "An agent answers at %s.\n", url)
			return err
		},
	}
}
