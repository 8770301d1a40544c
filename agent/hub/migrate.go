package hub

import (
	"fmt"

	"github.com/spf13/cobra"

	"arcdrift/agent/cli"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/reach"
)

func migrateCommand(env cli.Env, at *Databases) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the tables of the database up to this version, or one step back",
		Long: `Makes the tables in an empty database, and brings older ones up to this version.
Every other command and serve do the same when they start, so that this is for those
who want to see it done before.

--back undoes the last step, for a return to an earlier version of this program. What
only the newer tables hold is lost, and with the first step everything: make a backup
with the database's own tools before, and end all processes.`,
		Example: "  arcdrift-hub migrate --database postgres://arcdrift@db.example/arcdrift",
		Args:    cobra.NoArgs,
	}
	back := cmd.Flags().Bool("back", false, "undo the last step")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := at.MustBe(reach.Location{}); err != nil {
			return err
		}
		if *back {
			if err := pgstore.MigrateBack(cmd.Context(), at.URL); err != nil {
				return err
			}
			_, err := fmt.Fprintln(env.Stdout, "The last step was undone.")
			return err
		}
		s, err := pgstore.Open(cmd.Context(), at.URL, env.Now, pgstore.Options{})
		if err != nil {
			return err
		}
		if err := s.Close(); err != nil {
			return err
		}
		_, err = fmt.Fprintln(env.Stdout, "The tables are those of this version.")
		return err
	}
	return cmd
}
