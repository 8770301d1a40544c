package pgstore

import (
	"cmp"
	"context"
	"errors"
	"iter"
	"slices"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// listedColumns are columns of entries that are read for several slots at once.
const listedColumns = `e.machine, e.epoch, e.seq, e.kind, e.generation, e.id, e.value`

// newest is the highest number that any slot has.
func (s *Store) newest(ctx context.Context) (p place, err error) {
	err = s.pool.QueryRow(ctx, `select epoch, seq from slots order by epoch desc, seq desc limit 1`).Scan(&p.epoch, &p.seq)
	return p, err
}

// settle makes sure that no entry will ever get a number up to the newest one, and
// returns that. Slots give numbers by themselves, so one that is behind is moved up, in a
// transaction of its own. That waits for a transaction that is giving numbers there.
func (s *Store) settle(ctx context.Context) (place, error) {
	to, err := s.newest(ctx)
	if err != nil {
		return to, away(err)
	}
	rows, err := s.pool.Query(ctx, `select slot from slots where (epoch, seq) < ($1, $2)`, to.epoch, to.seq)
	if err != nil {
		return to, away(err)
	}
	behind, err := pgx.CollectRows(rows, pgx.RowTo[int])
	for _, slot := range behind {
		if err == nil {
			_, err = s.pool.Exec(ctx, `update slots set epoch = $2, seq = $3 where slot = $1 and (epoch, seq) < ($2, $3)`, slot, to.epoch, to.seq)
		}
	}
	s.saw(to)
	return to, away(err)
}

// Since returns the entries after these numbers in order of their numbers, conflicts
// included, at most limit of them (0: all). An entry that is stored later has a higher number than all that were
// returned. An arc count of a dropped generation is among them if nothing of its record
// was lost; otherwise its number is left out. A corrupt entry ends the list: it is the
// error, a [*store.Damage], and the entries before it are returned.
func (s *Store) Since(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	entries, corrupt := s.since(ctx, place{epoch, seq}, limit)
	if err := s.show(ctx, entries); err != nil {
		return nil, err
	}
	return entries, corrupt
}

// Sparse says that numbers have gaps although nothing is missing, see agent/forward.
func (s *Store) Sparse() bool { return true }

// SincePseudonymous is Since with the pseudonyms in the place of names.
func (s *Store) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	return s.since(ctx, place{epoch, seq}, limit)
}

func (s *Store) since(ctx context.Context, after place, limit int) ([]drift.Entry, error) {
	end, err := s.settle(ctx)
	if err != nil {
		return nil, err
	}
	window := uint64(limit)
	if limit == 0 {
		window = 4096
	}
	var out []drift.Entry
	for limit == 0 || len(out) < limit {
		from, found, err := s.firstAfter(ctx, after, end)
		if err != nil || !found {
			return out, err
		}
		after = place{from.epoch, from.seq + window*uint64(s.slots) - 1} // a tick is one entry
		rows, err := s.window(ctx, from, after)
		if err != nil {
			return out, err
		}
		for i := range rows {
			r := &rows[i]
			if end.before(place{r.Epoch, r.Seq}) {
				break // it came since: one with a lower number may still come
			}
			if r.Exact() {
				e, err := r.Entry()
				if err != nil {
					return out, err
				}
				out = append(out, e)
			}
		}
	}
	if limit > 0 && len(out) > limit {
		out = out[:limit]
	}
	return out, nil
}

// firstAfter is the first number in use after one and up to another.
func (s *Store) firstAfter(ctx context.Context, after, end place) (p place, found bool, err error) {
	err = s.pool.QueryRow(ctx, `select e.epoch, e.seq from slots s cross join lateral (
		select epoch, seq from entries where slot = s.slot and (epoch, seq) > ($1, $2) order by epoch, seq limit 1) e
		where (e.epoch, e.seq) <= ($3, $4) order by e.epoch, e.seq limit 1`, after.epoch, after.seq, end.epoch, end.seq).Scan(&p.epoch, &p.seq)
	if errors.Is(err, pgx.ErrNoRows) {
		return p, false, nil
	}
	return p, err == nil, away(err)
}

// window reads the entries of one epoch whose numbers are in a range, in order.
func (s *Store) window(ctx context.Context, from, to place) ([]row, error) {
	rows, err := s.pool.Query(ctx, `select e.slot, `+listedColumns+` from slots s cross join lateral (
		select * from entries where slot = s.slot and epoch = $1 and seq between $2 and $3) e`, from.epoch, from.seq, to.seq)
	if err != nil {
		return nil, away(err)
	}
	var all []row
	bySlot := map[int][]int{}
	err = each(rows, func() error {
		slot, r, err := scanSlotted(rows)
		if r.generation != nil {
			bySlot[slot] = append(bySlot[slot], len(all))
		}
		all = append(all, r)
		return err
	})
	for slot, places := range bySlot {
		var of []*row
		for _, i := range places {
			of = append(of, &all[i])
		}
		if err == nil {
			err = wholes(ctx, s.pool, slot, of)
		}
	}
	slices.SortFunc(all, func(a, b row) int { return cmp.Compare(a.Seq, b.Seq) })
	return all, away(err)
}

func scanSlotted(rows pgx.Rows) (slot int, r row, err error) {
	var value []byte
	err = rows.Scan(&slot, &r.Machine, &r.Epoch, &r.Seq, &r.kind, &r.generation, &r.ID, &value)
	if r.generation != nil {
		r.Reduced = value
	} else {
		r.Whole = value
	}
	return slot, r, err
}

// Entries goes through all entries that Since returns. For a corrupt entry it gives a
// [*store.Damage] with a Seq and goes on; any other error ends it.
func (s *Store) Entries() iter.Seq2[drift.Entry, error] {
	const page = 1000
	return func(yield func(drift.Entry, error) bool) {
		var at place
		for {
			entries, err := s.Since(at.epoch, at.seq, page)
			for _, e := range entries {
				at = place{e.StoreEpoch, e.StoreSeq}
				if !yield(e, nil) {
					return
				}
			}
			var d *store.Damage
			switch {
			case errors.As(err, &d) && d.Seq > 0:
				at = place{d.Epoch, d.Seq}
				if !yield(drift.Entry{}, d) {
					return
				}
			case err != nil:
				yield(drift.Entry{}, err)
				return
			case len(entries) < page:
				return
			}
		}
	}
}

// Stats returns figures about the store. Size is what its tables and indexes take on the
// server; Epoch and Seq are the highest numbers given.
func (s *Store) Stats() (store.Stats, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	to, err := s.settle(ctx)
	if err != nil {
		return store.Stats{}, err
	}
	out := store.Stats{Epoch: to.epoch, Seq: to.seq}
	// What was stored meanwhile has higher numbers, and is not counted.
	err = s.pool.QueryRow(ctx, `select
		(select sum(entries) from slots) - (select count(*) from slots s join entries e on e.slot = s.slot and (e.epoch, e.seq) > ($1, $2)),
		(select sum(machines) from slots), (select sum(conflicts) from slots),
		coalesce((select sum(dropped) from generations), 0),
		coalesce((select n from counters where name = 'refused'), 0), pg_database_size(current_database())`, to.epoch, to.seq).
		Scan(&out.Entries, &out.Machines, &out.Conflicts, &out.Compacted, &out.Refused, &out.Size)
	if out.Entries == 0 {
		out.Epoch = 0
	}
	return out, away(err)
}
