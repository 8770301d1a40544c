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
		_, err = tx.Exec(ctx, fmt.Sprintf(`create table counts_%d partition of counts for values in (%d)`, number, number))
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
// answer changes. Arc counts that a person has corrected with counts, and those whose id
// another record already has, keep their record. Two kinds can lose it that a file would
// keep: the last arc count of a machine, and one whose id got a conflict after it was
// stored. The newest generation cannot be dropped, nor one that a hub's cursor has not
// passed.
func (s *Store) Drop(ctx context.Context, generation int) (dropped uint64, err error) {
	err = s.inOne(ctx, func(tx pgx.Tx) error {
		var gone bool
		var newest int
		err := tx.QueryRow(ctx, `select dropped is not null, (select min(generation) from slots) from generations where generation = $1 for update`, generation).Scan(&gone, &newest)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return fmt.Errorf("there is no generation %d of arc counts", generation)
		case err != nil:
			return err
		case gone:
			return nil
		case generation >= newest:
			return fmt.Errorf("generation %d of arc counts is in use: open a new one first", generation)
		}
		table := fmt.Sprintf("counts_%d", generation)
		var unsent bool
		err = tx.QueryRow(ctx, `select count(*), exists (select from cursors h where (h.epoch, h.seq) < (select epoch, seq from `+table+` order by epoch desc, seq desc limit 1)) from `+table).Scan(&dropped, &unsent)
		if err != nil {
			return err
		}
		if unsent && dropped > 0 {
			return fmt.Errorf("generation %d of arc counts has records that a hub does not have yet", generation)
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

// generationsKept is in how many generations the arc counts are that stay whole: when the
// newest holds its part of them, another one begins.
const generationsKept = 4

// Compact is the hub's form of [store.Store.Compact]. What stays whole are the newest arc
// counts in order of taking, what.Keep for each machine on average and a quarter more at
// most, as whole generations are dropped; the last of a machine that has been silent for
// long is not among them. It begins a new generation when it is time. Only one process may
// call it, once a day or so. What a hub does not have is kept, whatever what.Hub says: see
// [Store.Drop].
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
			n, err := s.Drop(ctx, g.Number)
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
