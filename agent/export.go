package agent

import (
	"errors"

	"github.com/spf13/cobra"
)

func exportCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Everything out, as JSON lines or CSV",
		Long: `Writes every record, in the order it was taken, with its arrival and the store's
own numbers. Importing an export again is harmless.`,
		Example: "  arcdrift export > all.jsonl\n  arcdrift export --format csv > all.csv",
		Args:    cobra.NoArgs,
	}
	format := formatFlag(cmd, formatJSON, formatCSV)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		at, err := openPlace(cmd.Context(), env, dbPath(cmd), false)
		if err != nil {
			return err
		}
		return errors.Join(at.Export(cmd.Context(), env.Stdout, format.value), at.Close())
	}
	return cmd
}
