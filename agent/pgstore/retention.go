package pgstore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
)

// Generation is the arc counts that were taken while it was the newest one.
type Generation struct {
	Number int
	Opened time.Time // by the database's clock
	// Dropped is how many arc counts lost their record with it; Gone says that they have.
	Dropped uint64
	Gone    bool
}

// Generations returns all generations, oldest first. Arc counts go into the last.
func (s *Store) Generations(ctx context.Context) ([]Generation, error) {
	rows, err := s.pool.Query(ctx, `select generation, opened, coalesce(dropped, 0), dropped is not null from generations order by generation`)
	if err != nil {
		return nil, away(err)
	}
	var out []Generation
	err = each(rows, func() error {
		var g Generation
		err := rows.Scan(&g.Number, &g.Opened, &g.Dropped, &g.Gone)
		out = append(out, g)
		return err
	})
	return out, away(err)
}

// OpenGeneration begins a new generation: arc counts that are taken from now on belong to
// it. No clock of a sender decides to which one an arc count belongs.
func (s *Store) OpenGeneration(ctx context.Context) (number int, err error) {
	err = s.inOne(ctx, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `insert into generations (generation) select max(generation) + 1 from generations returning generation`).Scan(&number)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, fmt.Sprintf(`create table %s partition of counts for values in (%d)`, countsOf(number), number))
		return err
	})
	for slot := 0; slot < s.slots && err == nil; slot++ {
		_, err = s.pool.Exec(ctx, `update slots set generation = $2 where slot = $1 and generation < $2`, slot, number)
	}
	return number, away(err)
}

// Drop drops the whole records of a generation in one step, and returns how many there
// were. Of each arc count stays what compaction leaves in a file: what the model reads,
// its place in the chain, its id and its digest; its operator and its extra go. So no
// answer changes. What a file keeps whole stays whole here too, see [store.Store.Compact]:
// the newest arc counts of each machine, keep of them and one at least, those whose id
// another record has, and the one where a hub's receipts end. They move to the newest
// generation first. The newest generation cannot be dropped, nor one that a hub's cursor
// has not passed.
func (s *Store) Drop(ctx context.Context, generation, keep int) (dropped uint64, err error) {
	gone, err := droppable(ctx, s.pool, generation)
	if err != nil || gone {
		return 0, away(err)
	}
	for slot := 0; slot < s.slots; slot++ {
		if err := s.carry(ctx, slot, generation, max(keep, 1)); err != nil {
			return 0, away(err)
		}
	}
	err = s.inOne(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select 1 from generations where generation = $1 for update`, generation); err != nil {
			return err
		}
		if gone, err := droppable(ctx, tx, generation); err != nil || gone {
			return err
		}
		table := countsOf(generation)
		if err := tx.QueryRow(ctx, `select count(*) from `+table).Scan(&dropped); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `alter table counts detach partition `+table); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `drop table `+table); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `update generations set dropped = $2 where generation = $1`, generation, int64(dropped))
		return err
	})
	return dropped, err
}

func countsOf(generation int) string { return fmt.Sprintf("counts_%d", generation) }

// droppable is why a generation cannot be dropped, or nil, and whether it has been.
func droppable(ctx context.Context, q asker, generation int) (gone bool, err error) {
	var newest int
	err = q.QueryRow(ctx, `select dropped is not null, (select min(generation) from slots) from generations where generation = $1`, generation).Scan(&gone, &newest)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return false, fmt.Errorf("there is no generation %d of arc counts", generation)
	case err != nil || gone:
		return gone, err
	case generation >= newest:
		return false, fmt.Errorf("generation %d of arc counts is in use: open a new one first", generation)
	}
	var unsent bool
	err = q.QueryRow(ctx, `select exists (select from cursors h where (h.epoch, h.seq) < (select epoch, seq from `+countsOf(generation)+` order by epoch desc, seq desc limit 1))`).Scan(&unsent)
	if err == nil && unsent {
		err = fmt.Errorf("generation %d of arc counts has records that a hub does not have yet", generation)
	}
	return false, err
}

// asker is a pool or a transaction.
type asker interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// carry moves what stays whole of a slot's arc counts from a generation to the newest, some
// machines at a time, so that no statement takes long.
func (s *Store) carry(ctx context.Context, slot, generation, keep int) error {
	for last := ""; ; {
		rows, err := s.pool.Query(ctx, `select machine from heads where slot = $1 and machine > $2 order by machine limit $3`, slot, last, inPage/keep+1)
		if err != nil {
			return err
		}
		machines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil || len(machines) == 0 {
			return err
		}
		last = machines[len(machines)-1]
		if _, err := s.pool.Exec(ctx, `with kept as (
				select c.machine, c.epoch, c.seq from unnest($3::text[]) m (machine) cross join lateral (
					select machine, epoch, seq, generation from counts where slot = $1 and machine = m.machine order by epoch desc, seq desc limit $4) c
				where c.generation = $2 and exists (select from counts where generation = $2 and slot = $1 and machine = m.machine)
				union select e.machine, e.epoch, e.seq from entries x join entries e on e.slot = x.slot and e.id = x.id and e.machine = x.machine
				where x.slot = $1 and x.kind = $5 and x.kind > 0 and x.machine = any($3) and e.slot = $1 and e.generation = $2
				union select e.machine, e.epoch, e.seq from cursors h join entries e on e.slot = $1 and e.epoch = h.epoch and e.seq = h.seq
				where e.machine = any($3) and e.generation = $2
			), moved as (
				delete from counts c using kept k where c.slot = $1 and c.generation = $2 and c.machine = k.machine and c.epoch = k.epoch and c.seq = k.seq
				returning c.machine, c.epoch, c.seq, c.value
			), put as (
				insert into counts (slot, machine, epoch, seq, generation, value) select $1, machine, epoch, seq, (select max(generation) from generations), value from moved
			)
			update entries e set generation = (select max(generation) from generations) from moved m
			where e.slot = $1 and e.machine = m.machine and e.epoch = m.epoch and e.seq = m.seq`, slot, generation, machines, keep, conflicting); err != nil {
			return err
		}
	}
}

// generationsKept is in how many generations the arc counts are that stay whole: when the
// newest holds its part of them, another one begins.
const generationsKept = 4

// Compact is the hub's form of [store.Store.Compact]. The newest what.Keep arc counts of
// each machine stay whole, as in a file. What else is old goes in whole generations: those
// that came before what.Keep newer arc counts for each machine on average. It begins a new
// generation when it is time. Only one process may call it, once a day or so. What a hub
// does not have is kept, whatever what.Hub says: see [Store.Drop].
func (s *Store) Compact(ctx context.Context, what store.Compaction) (dropped int, err error) {
	all, err := s.Generations(ctx)
	if err != nil {
		return 0, err
	}
	var machines uint64
	if err := s.pool.QueryRow(ctx, `select coalesce(sum(machines), 0) from slots`).Scan(&machines); err != nil {
		return 0, away(err)
	}
	keep := machines * uint64(max(what.Keep, 0))
	var newer uint64 // arc counts in the generations after this one
	for i, g := range slices.Backward(all) {
		if g.Gone {
			continue
		}
		if i < len(all)-1 && newer >= keep {
			n, err := s.Drop(ctx, g.Number, what.Keep)
			dropped += int(n)
			if err != nil {
				return dropped, err
			}
			continue
		}
		holds, err := s.holds(ctx, g.Number)
		if err != nil {
			return dropped, err
		}
		if i == len(all)-1 && holds > 0 && holds >= keep/generationsKept {
			if _, err := s.OpenGeneration(ctx); err != nil {
				return dropped, err
			}
		}
		newer += holds
	}
	return dropped, nil
}

// holds counts the arc counts of a generation, slot by slot, so that no statement takes
// long.
func (s *Store) holds(ctx context.Context, generation int) (total uint64, err error) {
	for slot := 0; slot < s.slots && err == nil; slot++ {
		var n uint64
		err = s.pool.QueryRow(ctx, `select count(*) from counts where generation = $1 and slot = $2`, generation, slot).Scan(&n)
		total += n
	}
	return total, away(err)
}
