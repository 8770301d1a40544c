package pgstore

import (
	"context"
	"encoding/hex"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// columns are what scanRow reads, of table entries.
const columns = `machine, epoch, seq, kind, generation, id, value`

// scanRow reads an entry. An arc count that can lose its record comes without it, see
// wholes.
func scanRow(rows pgx.Rows) (row, error) {
	var r row
	var value []byte
	err := rows.Scan(&r.Machine, &r.Epoch, &r.Seq, &r.kind, &r.generation, &r.ID, &value)
	if r.generation != nil {
		r.Reduced = value
	} else {
		r.Whole = value
	}
	return r, err
}

// each calls f for every row.
func each(rows pgx.Rows, f func() error) error {
	defer rows.Close()
	for rows.Next() {
		if err := f(); err != nil {
			return err
		}
	}
	return rows.Err()
}

// atKey finds an entry within its slot.
type atKey struct {
	machine    string
	epoch, seq uint64
}

// wholes adds the records of arc counts of one slot that have not been dropped.
func wholes(ctx context.Context, q querier, slot int, all []*row) error {
	byKey := map[atKey]*row{}
	var machines []string
	var epochs, seqs []uint64
	for _, r := range all {
		if r.generation != nil {
			byKey[atKey{r.Machine, r.Epoch, r.Seq}] = r
			machines, epochs, seqs = append(machines, r.Machine), append(epochs, r.Epoch), append(seqs, r.Seq)
		}
	}
	if len(byKey) == 0 {
		return nil
	}
	rows, err := q.Query(ctx, `select c.machine, c.epoch, c.seq, c.value from unnest($2::text[], $3::bigint[], $4::bigint[]) as w (machine, epoch, seq)
		join counts c on c.slot = $1 and c.machine = w.machine and c.epoch = w.epoch and c.seq = w.seq`, slot, machines, epochs, seqs)
	if err != nil {
		return err
	}
	return each(rows, func() error {
		var k atKey
		var value []byte
		err := rows.Scan(&k.machine, &k.epoch, &k.seq, &value)
		if r := byKey[k]; r != nil {
			r.Whole = value
		}
		return err
	})
}

// named are the pseudonyms in entries.
func named(all []*row) []string {
	var out []string
	for _, r := range all {
		if e, err := r.Entry(); err == nil && e.Personal() {
			out = append(out, e.People()...)
		}
	}
	return out
}

// query reads entries of one slot with their records.
func (s *Store) query(ctx context.Context, slot int, sql string, args ...any) ([]row, error) {
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return nil, away(err)
	}
	var out []row
	err = each(rows, func() error {
		r, err := scanRow(rows)
		out = append(out, r)
		return err
	})
	if err == nil {
		err = wholes(ctx, s.pool, slot, pointers(out))
	}
	return out, away(err)
}

func pointers(rows []row) []*row {
	out := make([]*row, len(rows))
	for i := range rows {
		out[i] = &rows[i]
	}
	return out
}

// entriesOf decodes entries, without conflicts unless they are wanted. With a
// [*store.Damage] come the sound ones.
func entriesOf(rows []row, conflicts bool) ([]drift.Entry, error) {
	var out []drift.Entry
	var corrupt []error
	for i := range rows {
		if rows[i].kind == conflicting && !conflicts {
			continue
		}
		e, err := rows[i].Entry()
		if err != nil {
			corrupt = append(corrupt, err)
			continue
		}
		out = append(out, e)
	}
	return out, errors.Join(corrupt...)
}

// show puts the names into entries.
func (s *Store) show(ctx context.Context, entries []drift.Entry) error {
	people := peopleOf(entries)
	if len(people) == 0 {
		return nil
	}
	r := newRoster()
	if err := r.know(ctx, s.pool, people); err != nil {
		return away(err)
	}
	r.Show(entries)
	return nil
}

// peopleOf are the people in entries, each once.
func peopleOf(entries []drift.Entry) []string {
	var people []string
	for i := range entries {
		if entries[i].Personal() {
			people = append(people, entries[i].People()...)
		}
	}
	slices.Sort(people)
	return slices.Compact(people)
}

// shown decodes rows with the names of people.
func (s *Store) shown(ctx context.Context, rows []row, conflicts bool) ([]drift.Entry, error) {
	entries, corrupt := entriesOf(rows, conflicts)
	if err := s.show(ctx, entries); err != nil {
		return nil, err
	}
	return entries, corrupt
}

// History returns the entries of one machine in order of taking, with corrections and
// without conflicts. Arc counts of a dropped generation are as [Store.Drop] left them.
// If the error is or holds a [*store.Damage], the sound entries are returned with it.
func (s *Store) History(machine string) ([]drift.Entry, error) {
	entries, _, err := s.After(machine, nil)
	return entries, err
}

// After returns a machine's entries after a link of its chain, or with a nil link all
// of them, as History does. It also returns the link of the last entry, which stands for
// all entries up to it. Without entries, or for a link that the machine does not have, it
// returns nil for both.
func (s *Store) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	all, err := s.rowsAfter(ctx, s.Slot(machine), map[string][]byte{machine: link})
	if err != nil {
		return nil, nil, away(err)
	}
	rows, last := after(all[machine], link)
	entries, err := s.shown(ctx, rows, false)
	return entries, last, err
}

// Latest returns the last n whole entries of a machine in order of taking, without
// conflicts. Errors are as of History.
func (s *Store) Latest(machine string, n int) ([]drift.Entry, error) {
	if n <= 0 {
		return nil, nil
	}
	ctx, cancel := s.bounded()
	defer cancel()
	slot := s.Slot(machine)
	rows, err := s.query(ctx, slot, `select `+columns+` from entries where slot = $1 and machine = $2 and kind <> $3
		and (generation is null or generation in (select generation from generations where dropped is null))
		order by epoch desc, seq desc limit $4`, slot, machine, conflicting, n)
	if err != nil {
		return nil, err
	}
	slices.Reverse(rows)
	return s.shown(ctx, rows, false)
}

// Find returns the first entry of the machine with this id, as History does, and whether
// there is one. The error is a [*store.Damage] if it cannot be read.
func (s *Store) Find(machine, id string) (drift.Entry, bool, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	slot := s.Slot(machine)
	rows, err := s.query(ctx, slot, `select `+columns+` from (select * from entries where slot = $1 and id = $2 offset 0) e where machine = $3 order by epoch, seq limit 1`, slot, store.IDKey(id), machine)
	if err != nil || len(rows) == 0 {
		return drift.Entry{}, false, err
	}
	entries, err := s.shown(ctx, rows, true)
	if err != nil {
		return drift.Entry{}, false, err
	}
	return entries[0], true, nil
}

// Machines returns the names of all machines that have entries, in order.
func (s *Store) Machines() ([]string, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select machine from heads where machine <> '' order by machine`)
	if err != nil {
		return nil, away(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return out, away(err)
}

// MachinesIn returns the names of the machines of one slot, in order.
func (s *Store) MachinesIn(slot int) ([]string, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select machine from heads where slot = $1 and machine <> '' order by machine`, slot)
	if err != nil {
		return nil, away(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return out, away(err)
}

// Counters returns the last known arc count of every machine.
func (s *Store) Counters() (map[string]drift.Counter, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select `+headColumns+` from heads`)
	if err != nil {
		return nil, away(err)
	}
	out := map[string]drift.Counter{}
	err = each(rows, func() error {
		machine, h, err := scanHead(rows)
		out[machine] = h.counter
		return err
	})
	return out, away(err)
}

// Setups returns the setup entries of all scopes in order of taking; errors as of
// History.
func (s *Store) Setups() ([]drift.Entry, error) { return s.listed(setup) }

// Conflicts returns the entries whose id another record of the machine had already, in
// order of taking; errors as of History. Find returns the first of an id.
func (s *Store) Conflicts() ([]drift.Entry, error) { return s.listed(conflicting) }

func (s *Store) listed(kind int) ([]drift.Entry, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	// No slot has the kind's rows alone, so all are asked; kind > 0 names the index.
	rows, err := s.query(ctx, 0, `select `+listedColumns+` from slots s cross join lateral (
		select `+columns+` from entries where slot = s.slot and kind = $1 and kind > 0) e order by epoch, seq`, kind)
	if err != nil {
		return nil, err
	}
	return s.shown(ctx, rows, true)
}

// HeadAt is where the machine's chain stood at a moment: at the last entry that had
// arrived by then. A machine without any has none.
func (s *Store) HeadAt(machine string, knownAt time.Time) (head store.Head, found bool, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	slot := s.Slot(machine)
	rows, err := s.query(ctx, slot, `select `+columns+` from entries where slot = $1 and machine = $2 order by epoch, seq`, slot, machine)
	if err != nil {
		return head, false, err
	}
	for i := range rows {
		e, err := rows[i].Entry()
		if err != nil {
			return store.Head{}, false, err
		}
		if !e.Received.After(knownAt) {
			head, found = store.Head{Machine: machine, Entries: uint64(i + 1), Epoch: rows[i].Epoch, Seq: rows[i].Seq, Chain: hex.EncodeToString(rows[i].Link()[16:])}, true
		}
	}
	return head, found, nil
}
