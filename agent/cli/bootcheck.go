package cli

import (
	"github.com/spf13/cobra"

	"arcdrift/agent/bootcheck"
)

func bootCheckCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use: bootcheck.Command, Hidden: true,
		Short:   "Check the store before it is served, in a process that may be lost",
		Example: "  arcdrift boot-check",
	}
	limit := cmd.Flags().Duration("computing", 0, "processor `TIME` after which the file counts as unreadable")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		env.reloads() // a closed terminal does not end the check
		out, err := bootcheck.Verify(dbPath(cmd), *limit)
		if err != nil {
			return err
		}
		return writeJSON(env.Stdout, out)
	}
	return cmd
}
