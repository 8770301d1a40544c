package hub

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift/phrase"
)

func adoptCommand(env cli.Env, at *Databases) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "adopt FILE",
		Short: "Take over all that the store of an arcdrift agent keeps",
		Long: `Moves the store of an agent (arcdrift.db) into an empty database: the records with
their numbers, their arrivals and the chains of the machines, what was refused, the
names of people with their pseudonyms, the alerts with how they turned out, the
messages that wait, and the accounts (FILE.access). At the end it compares the digests
of both. Stop the agent before, and let it not start again: vans and devices send to the
hub from then on.

The chains go on here: what a pack of proof says of a machine's chain holds after the
move, and verify checks it. If the move is interrupted, run the command again: it
begins from the start. Copy FILE.key to where --db points, so that the hub signs with
the same key.

Records alone go into a database that is in use by arcdrift export and arcdrift-hub
import.`,
		Example: "  arcdrift-hub adopt /var/lib/arcdrift/arcdrift.db",
		Args:    cobra.ExactArgs(1),
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := at.MustBe(reach.Location{}); err != nil {
			return err
		}
		from, err := store.Open(args[0], env.Now, store.Options{ReadOnly: true})
		if err != nil {
			return err
		}
		to, err := pgstore.Open(cmd.Context(), at.URL, env.Now, pgstore.Options{Connections: at.Connections, Adopting: true})
		if err != nil {
			return errors.Join(err, from.Close())
		}
		n, err := to.Adopt(cmd.Context(), from)
		accounts := ""
		if err == nil {
			accounts, err = adoptAccounts(args[0], to)
		}
		if err := errors.Join(err, from.Close(), to.Close()); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.Stdout, "Taken over and compared: %s.\n%s", phrase.Count(n, "record"), accounts)
		return err
	}
	return cmd
}

// adoptAccounts takes over the accounts beside a store, unless there are some here.
func adoptAccounts(path string, to *pgstore.Store) (said string, err error) {
	raw, err := os.ReadFile(auth.File(path))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("the accounts cannot be read: %w", err)
	}
	taken, err := auth.PutAccounts(to, raw)
	switch {
	case err != nil:
		return "", fmt.Errorf("the records are here, the accounts could not be taken over: %w", err)
	case !taken:
		return "The database has accounts: those of the agent were left out.\n", nil
	}
	return "The accounts were taken over.\n", nil
}
