package agent

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
	"arcdrift/agent/web"
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
and are left out: those to which their sender had added an operator or extra. CSV
holds the records only. Importing an export again is harmless, and brings the
refused list too. A record that the disk has spoilt is left out, and the export,
once all else is written, fails and names it.`,
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
// first; or, as CSV, the entries. What is spoilt is its error once all else is
// written.
func export(s *store.Store, w io.Writer, format string) error {
	b := bufio.NewWriter(w)
	x := exporter{store: s, w: b}
	write := func(e *drift.Entry) error {
		_, err := b.Write(append(wire.AppendEntry(nil, e), '\n'))
		return err
	}
	end := func() error { return errors.Join(x.refused(), x.thinned(), b.Flush()) }
	if format == formatCSV {
		c, err := wire.NewCSVWriter(b)
		if err != nil {
			return err
		}
		write = c.Write
		end = func() error { return errors.Join(c.Flush(), b.Flush()) }
	}
	if err := x.entries(write); err != nil {
		return fmt.Errorf("the export stopped: %w", errors.Join(err, b.Flush()))
	}
	if err := end(); err != nil {
		return err
	}
	if n := len(x.spoilt); n > 0 {
		return &web.LeftOut{Cause: fmt.Errorf("%s cannot be exported, all else was; first: %w", count(n, "spoilt record"), x.spoilt[0])}
	}
	return nil
}

// exporter writes what is kept.
type exporter struct {
	store   *store.Store
	w       io.Writer
	without uint64 // records that the store held at the beginning and that were not met
	spoilt  []*store.Damage
}

func (x *exporter) entries(write func(*drift.Entry) error) error {
	stats, err := x.store.Stats()
	if err != nil {
		return err
	}
	x.without = stats.Entries
	for e, err := range x.store.Entries() {
		var d *store.Damage
		seq := e.StoreSeq
		switch {
		case err == nil:
			err = write(&e)
		case errors.As(err, &d) && d.Seq > 0:
			x.spoilt, seq, err = append(x.spoilt, d), d.Seq, nil
		}
		if err != nil {
			return err
		}
		if seq <= stats.Seq {
			x.without--
		}
	}
	return nil
}

// refused writes the refused list.
func (x *exporter) refused() error {
	all, err := x.store.Refusals("", 0)
	if err != nil {
		return fmt.Errorf("the export stopped before what was refused: %w", err)
	}
	for _, r := range slices.Backward(all) {
		told := wire.Refusal(r)
		if _, err := x.w.Write(append(wire.AppendRefusal(nil, &told), '\n')); err != nil {
			return err
		}
	}
	return nil
}

// thinned writes how many arc counts are left out.
func (x *exporter) thinned() error {
	if x.without == 0 {
		return nil
	}
	_, err := x.w.Write(append(wire.AppendThinned(nil, x.without), '\n'))
	return err
}
