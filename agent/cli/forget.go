package cli

import (
	"fmt"

	"github.com/spf13/cobra"
)

func forgetCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "forget NAME",
		Short: "Take the name of somebody out of the records",
		Long: `Takes the name of an operator out of the store for good, spelt as it is in the
records; other spellings are other names. The records stay, and so does all that
follows from them; a pseudonym stands where the name was, on the pages, in answers
and in exports. The name also goes from refused records, alerts and messages. A hub to
which this agent forwards forgets the person too, as soon as it is reached.

What lies elsewhere keeps the name: exports, backups and stores put into quarantine
before, what a device or a van still sends, and free text (extra, the reason of a
correction) in the records themselves. Whoever has an account keeps it until
arcdrift person remove. The store is rewritten, which takes as much free room as it
has and, of a large one, a while.`,
		Example: "  arcdrift person forget 'Ines Varga'",
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		pseudonym, err := env.location(cmd).Forget(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.Stdout, "Forgotten. The records show %s from now on.\n", pseudonym)
		if err == nil {
			fmt.Fprintln(env.Stderr, "Exports, backups and stores in quarantine from before still hold the name: remove them, or forget again after bringing one back.")
		}
		return err
	}
	return cmd
}
