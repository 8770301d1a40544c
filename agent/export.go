package agent

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

func exportCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Everything out, as JSON lines or CSV",
		Long: `Writes every record, in the order it was taken, with its arrival and the store's
own numbers, and behind them, as JSON lines of the type refused, what was refused
and is still listed, and of the type thinned, how many old arc counts were thinned
and are left out. CSV holds the records only. Importing an export again is
harmless, and brings the refused list too.`,
		Example: "  arcdrift export > all.jsonl\n  arcdrift export --format csv > all.csv",
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

// export writes every entry as JSON lines, and then what was refused, oldest
// first; or, as CSV, the entries.
func export(s *store.Store, w io.Writer, format string) error {
	b := bufio.NewWriter(w)
	write := func(e *drift.Entry) error {
		_, err := b.Write(append(wire.AppendEntry(nil, e), '\n'))
		return err
	}
	end := func() error { return errors.Join(exportRefused(s, b), b.Flush()) }
	if format == formatCSV {
		c, err := wire.NewCSVWriter(b)
		if err != nil {
			return err
		}
		write = c.Write
		end = func() error { return errors.Join(c.Flush(), b.Flush()) }
	}
	for e, err := range s.Entries() {
		if err == nil {
			err = write(&e)
		}
		if err != nil {
			return fmt.Errorf("the export stopped: %w", errors.Join(err, b.Flush()))
		}
	}
	return end()
}

// exportRefused writes the refused list and how much is left out.
func exportRefused(s *store.Store, w io.Writer) error {
	all, err := s.Refusals("", 0)
	if err != nil {
		return fmt.Errorf("the export stopped before what was refused: %w", err)
	}
	for _, r := range slices.Backward(all) {
		told := wire.Refusal(r)
		if _, err := w.Write(append(wire.AppendRefusal(nil, &told), '\n')); err != nil {
			return err
		}
	}
	stats, err := s.Stats()
	if err != nil || stats.Thinned == 0 {
		return err
	}
	_, err = w.Write(append(wire.AppendThinned(nil, stats.Thinned), '\n'))
	return err
}
