// Package export writes everything that a store keeps, in the form that an import
// takes again.
package export

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// The formats.
const (
	JSON = "json" // one object a line
	CSV  = "csv"  // records only
)

// Store is what an export is read from. [store.Store] says what each method does.
type Store interface {
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
	Refusals(machine string, limit int) ([]drift.Refusal, error)
	Stats() (store.Stats, error)
}

// LeftOut is the error of an export that holds everything but what cannot be read.
type LeftOut struct{ Cause error }

func (l *LeftOut) Error() string { return l.Cause.Error() }

// Unwrap is the first of the causes.
func (l *LeftOut) Unwrap() error { return l.Cause }

// Write writes every entry as JSON lines, and then what was refused, oldest
// first; or, as CSV, the entries. What is spoilt is its error once all else is
// written. Of a part of the fleet, it writes what concerns its machines: no setups of
// several machines, and nothing about arc counts that are left out.
func Write(s Store, w io.Writer, format string, part drift.Part) error {
	b := bufio.NewWriter(w)
	x := exporter{store: s, w: b, part: part}
	write := func(e *drift.Entry) error {
		_, err := b.Write(append(wire.AppendEntry(nil, e), '\n'))
		return err
	}
	end := func() error { return errors.Join(x.refused(), x.thinned(), b.Flush()) }
	if format == CSV {
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
		return &LeftOut{Cause: fmt.Errorf("%s cannot be exported, all else was; first: %w", count(n), x.spoilt[0])}
	}
	return nil
}

// exporter writes what is kept.
type exporter struct {
	store   Store
	w       io.Writer
	part    drift.Part // nil for everything
	without uint64     // records that the store held at the beginning and that were not met
	spoilt  []*store.Damage
}

func (x *exporter) entries(write func(*drift.Entry) error) error {
	stats, err := x.store.Stats()
	if err != nil {
		return err
	}
	x.without = stats.Entries
	for e, err := range store.Entries(x.store) {
		var d *store.Damage
		seq := e.StoreSeq
		switch {
		case x.part != nil && (err == nil && !x.part.HasEntry(&e) || errors.As(err, &d) && !x.part.Has(d.Machine)):
			continue
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
		if x.part != nil && (r.Machine == "" || !x.part.Holds(r.Machine, r.Time)) {
			continue
		}
		told := wire.Refusal(r)
		if _, err := x.w.Write(append(wire.AppendRefusal(nil, &told), '\n')); err != nil {
			return err
		}
	}
	return nil
}

// thinned writes how many arc counts are left out.
func (x *exporter) thinned() error {
	if x.without == 0 || x.part != nil {
		return nil
	}
	_, err := x.w.Write(append(wire.AppendCompacted(nil, x.without), '\n'))
	return err
}

func count(n int) string {
	if n == 1 {
		return "1 spoilt record"
	}
	return fmt.Sprintf("%d spoilt records", n)
}
