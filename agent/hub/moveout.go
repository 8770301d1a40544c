package hub

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/reach"
	"arcdrift/drift/phrase"
)

func moveOutCommand(env cli.Env, at *Databases) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "move-out FILE",
		Short: "Make the store of an arcdrift agent of all that the database keeps",
		Long: `The way back to one computer: makes a store (arcdrift.db) of all that adopt takes over,
and of what came since, with numbers and chains as they are, and the accounts
(FILE.access). It checks every record of the new file before the file gets its name; if
it is interrupted, run it again. End all processes of the hub before, and let them not
start again: vans and devices send to the agent from then on. The database stays as it
is.

Old arc counts whose records are gone are compacted ones in the file. Copy the .key and
.keys of a process of the hub beside FILE, so that the agent signs with the same key:
what a pack of proof says of a machine's chain holds after the move. Who is signed in at
the pages signs in again.

Then: arcdrift verify --db FILE, and arcdrift serve --db FILE.`,
		Example: "  arcdrift-hub move-out /var/lib/arcdrift/arcdrift.db",
		Args:    cobra.ExactArgs(1),
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := at.MustBe(reach.Location{}); err != nil {
			return err
		}
		from, err := pgstore.Open(cmd.Context(), at.URL, env.Now, pgstore.Options{Connections: at.Connections})
		if err != nil {
			return err
		}
		if err := from.Unused(cmd.Context()); err != nil {
			return errors.Join(err, from.Close())
		}
		accounts, err := auth.CopyAccounts(from, args[0])
		if err != nil {
			return errors.Join(fmt.Errorf("the accounts could not be moved: %w", err), from.Close())
		}
		n, err := from.MoveOut(cmd.Context(), args[0])
		if err := errors.Join(err, from.Close()); err != nil {
			return err
		}
		said := ""
		if accounts {
			said = "The accounts are in " + auth.File(args[0]) + ".\n"
		}
		_, err = fmt.Fprintf(env.Stdout, "Moved and checked: %s.\n%s", phrase.Count(n, "record"), said)
		return err
	}
	return cmd
}
