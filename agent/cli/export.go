package cli

import (
	"errors"

	"github.com/spf13/cobra"
)

func exportCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Everything out, as JSON lines or CSV",
		Long: `Writes every record, in the order it was taken, with its arrival and the store's
own numbers, and behind them, as JSON lines of the type refused, what was refused
and is still listed, and of the type thinned, how many old arc counts were compacted
and are left out: those to which their sender had added an operator or extra. CSV
holds the records only. Importing an export again is harmless, and brings the
refused list too. A record that is corrupt on the disk is left out, and the export,
once all else is written, fails and names it.`,
		Example: "  arcdrift export > all.jsonl\n  arcdrift export --format csv > all.csv",
	}
	format := formatFlag(cmd, formatJSON, formatCSV)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		at, err := env.location(cmd).Open(cmd.Context(), false)
		if err != nil {
			return err
		}
		return errors.Join(at.Export(cmd.Context(), env.Stdout, format.value), at.Close())
	}
	return cmd
}
