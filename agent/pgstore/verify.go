package pgstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"arcdrift/agent/store"
)

// Digests returns the digest of every machine; that of the setups for several machines
// has the key "". They are the same as those of any other store that took the same
// records. The error is a [*store.Damage] if a record is corrupt.
func (s *Store) Digests() (map[string]store.Digest, error) {
	out := map[string]store.Digest{}
	var mu sync.Mutex
	err := s.bySlot(func(ctx context.Context, slot int) error {
		var machine string
		var sums [][]byte
		end := func() {
			if len(sums) > 0 {
				mu.Lock()
				out[machine] = store.DigestOf(sums)
				mu.Unlock()
			}
			sums = sums[:0]
		}
		err := s.walk(ctx, s.pool, slot, func(rows []row) error {
			for i := range rows {
				sum, err := rows[i].Sum()
				if err != nil {
					return err
				}
				if rows[i].Machine != machine {
					end()
					machine = rows[i].Machine
				}
				sums = append(sums, sum)
			}
			return nil
		})
		end()
		return err
	})
	return out, err
}

// bySlot calls f for every slot, on all processors.
func (s *Store) bySlot(f func(ctx context.Context, slot int) error) error {
	group, ctx := errgroup.WithContext(context.Background())
	group.SetLimit(min(runtime.GOMAXPROCS(0), max(1, s.options.Connections-2)))
	for slot := range s.slots {
		group.Go(func() error { return f(ctx, slot) })
	}
	return away(group.Wait())
}

// page is how many entries a walk reads at once.
const page = 2000

// walk goes through the entries of a slot, machine by machine in order of taking.
func (s *Store) walk(ctx context.Context, q querier, slot int, visit func([]row) error) error {
	var machine string
	var at place
	for {
		rows, err := q.Query(ctx, `select `+columns+` from entries where slot = $1 and (machine, epoch, seq) > ($2, $3, $4)
			order by machine, epoch, seq limit $5`, slot, machine, at.epoch, at.seq, page)
		if err != nil {
			return err
		}
		var all []row
		if err := each(rows, func() error {
			r, err := scanRow(rows)
			all = append(all, r)
			return err
		}); err != nil {
			return err
		}
		if len(all) == 0 {
			return nil
		}
		if err := wholes(ctx, q, slot, pointers(all)); err != nil {
			return err
		}
		if err := visit(all); err != nil {
			return err
		}
		last := &all[len(all)-1]
		machine, at = last.Machine, place{last.Epoch, last.Seq}
	}
}

// Verify checks every entry: its checksum, the chain of its machine, its columns, the
// heads and the counts. Faults are in the report; an error means that the check could not
// be done. Each slot is checked as it was at one moment. The pages and indexes of the
// database are checked by its own tools (pg_amcheck, data checksums).
func (s *Store) Verify() (store.Report, error) {
	var total store.Report
	parts := make([]store.Report, s.slots)
	ctx, cancel := s.bounded()
	defer cancel()
	dropped, err := s.dropped(ctx)
	if err != nil {
		return total, err
	}
	err = s.bySlot(func(ctx context.Context, slot int) error {
		return pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
			v := verifier{s: s, tx: tx, slot: slot, report: &parts[slot], dropped: dropped}
			return v.all(ctx)
		})
	})
	for i := range parts {
		add(&total, &parts[i])
	}
	if err != nil {
		return total, err
	}
	refusals, err := s.Refusals("", 0)
	var d *store.Damage
	if errors.As(err, &d) {
		wrong(&total, *d)
		err = nil
	}
	for range refusals {
		total.Refused++
	}
	if stats, failed := s.Stats(); failed == nil {
		total.Refused = stats.Refused
	}
	return total, err
}

func add(total, part *store.Report) {
	total.Entries += part.Entries
	total.Compacted += part.Compacted
	total.Conflicts += part.Conflicts
	total.Machines += part.Machines
	total.Wrong += part.Wrong
	if total.First == nil {
		total.First = part.First
	}
}

func wrong(r *store.Report, d store.Damage) {
	if r.Wrong++; r.First == nil {
		r.First = &d
	}
}

// verifier checks one slot.
type verifier struct {
	s       *Store
	tx      pgx.Tx
	slot    int
	report  *store.Report
	dropped map[int]bool

	heads   map[string]head
	machine string
	is      head // of machine, as it should be
	last    place
}

func (v *verifier) all(ctx context.Context) error {
	rows, err := v.tx.Query(ctx, `select `+headColumns+` from heads where slot = $1`, v.slot)
	if err != nil {
		return err
	}
	v.heads = map[string]head{}
	if err := each(rows, func() error {
		machine, h, err := scanHead(rows)
		v.heads[machine] = h
		return err
	}); err != nil {
		return err
	}
	if err := v.s.walk(ctx, v.tx, v.slot, func(rows []row) error {
		for i := range rows {
			v.entry(&rows[i])
		}
		return nil
	}); err != nil {
		return err
	}
	v.end()
	for machine := range v.heads { // those that were met are gone
		v.wrong(machine, place{}, "all its entries were removed")
	}
	return v.counts(ctx)
}

func (v *verifier) wrong(machine string, at place, meaning string) {
	wrong(v.report, store.Damage{Machine: machine, Epoch: at.epoch, Seq: at.seq, Meaning: meaning})
}

// entry checks one entry.
func (v *verifier) entry(r *row) {
	if r.Machine != v.machine || v.is.chain == nil {
		v.end()
		v.machine, v.is = r.Machine, head{chain: v.heads[r.Machine].origin}
		if v.is.chain == nil {
			v.is.chain = make([]byte, 32)
		}
		if r.Machine != "" {
			v.report.Machines++
		}
		if v.s.Slot(r.Machine) != v.slot {
			v.wrong(r.Machine, place{r.Epoch, r.Seq}, "it is in the slot of other machines")
		}
	}
	at := place{r.Epoch, r.Seq}
	v.report.Entries++
	v.is.entries++
	v.is.place = at
	if v.last.before(at) {
		v.last = at
	}
	chain, follows, err := r.Next(v.is.chain)
	v.is.chain = chain
	var d *store.Damage
	switch {
	case errors.As(err, &d):
		v.wrong(r.Machine, at, d.Meaning)
		return
	case err != nil:
		v.wrong(r.Machine, at, err.Error())
		return
	case !follows:
		v.wrong(r.Machine, at, "it does not follow from the entry before it: this entry was changed or inserted, or the one before it was changed or removed, after it was stored")
	}
	v.columns(r, at)
}

// columns checks the columns by which an entry is found.
func (v *verifier) columns(r *row, at place) {
	e, err := r.Entry()
	if err != nil {
		v.wrong(r.Machine, at, err.Error())
		return
	}
	if !bytes.Equal(store.IDKey(e.ID), r.ID) {
		v.wrong(r.Machine, at, "its id and the id under which it is found differ: if it is sent again, it is stored twice")
	}
	conflict, _ := r.Conflict() // Next has just read it
	kind := ordinary
	switch {
	case conflict:
		kind = conflicting
		v.is.conflicts++
		v.report.Conflicts++
	case e.Setup != nil:
		kind = setup
	}
	if kind != r.kind {
		v.wrong(r.Machine, at, "it is not listed as what it is, or listed as what it is not: a setup or a conflict")
	}
	if r.Whole == nil {
		v.report.Compacted++
		if !v.dropped[*r.generation] {
			v.wrong(r.Machine, at, "its whole record was removed, and its generation of arc counts was not dropped")
		}
	}
}

// end compares a machine's last entry with its head.
func (v *verifier) end() {
	if v.is.chain == nil {
		return
	}
	noted := v.heads[v.machine]
	delete(v.heads, v.machine)
	switch is := v.is; {
	case noted.entries != is.entries || noted.place != is.place || !bytes.Equal(noted.chain, is.chain):
		v.wrong(v.machine, is.place, fmt.Sprintf("it is the last of %d, but entry %d/%d was stored as the last of %d: entries were removed or inserted", is.entries, noted.epoch, noted.seq, noted.entries))
	case noted.conflicts != is.conflicts:
		v.wrong(v.machine, place{}, "its count of conflicts is wrong")
	}
}

// counts compares the slot's own counts with the entries.
func (v *verifier) counts(ctx context.Context) error {
	var last place
	var entries, conflicts uint64
	var machines int
	err := v.tx.QueryRow(ctx, `select epoch, seq, entries, conflicts, machines from slots where slot = $1`, v.slot).
		Scan(&last.epoch, &last.seq, &entries, &conflicts, &machines)
	if errors.Is(err, pgx.ErrNoRows) {
		v.wrong("", place{}, fmt.Sprintf("slot %d has no row of its own", v.slot))
		return nil
	}
	if err != nil {
		return err
	}
	if entries != v.report.Entries || conflicts != v.report.Conflicts || machines != v.report.Machines {
		v.wrong("", place{}, fmt.Sprintf("slot %d counted %d entries, %d conflicts and %d machines, but there are %d, %d and %d",
			v.slot, entries, conflicts, machines, v.report.Entries, v.report.Conflicts, v.report.Machines))
	}
	if last.before(v.last) {
		v.wrong("", place{}, fmt.Sprintf("slot %d has given numbers up to %d/%d, but there is entry %d/%d", v.slot, last.epoch, last.seq, v.last.epoch, v.last.seq))
	}
	return nil
}

// dropped are the generations whose arc counts have no record any more.
func (s *Store) dropped(ctx context.Context) (map[int]bool, error) {
	rows, err := s.pool.Query(ctx, `select generation from generations where dropped is not null`)
	if err != nil {
		return nil, away(err)
	}
	out := map[int]bool{}
	err = each(rows, func() error {
		generation := math.MinInt
		err := rows.Scan(&generation)
		out[generation] = true
		return err
	})
	return out, away(err)
}
