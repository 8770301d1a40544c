package pgstore

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// ErrNotEmpty says that a store has something already. What comes from another store as
// it was there, with its numbers and chains, has to be the first; an export can be imported
// at any time.
var ErrNotEmpty = errors.New("the store is not empty: adopt into an empty one, or export there and import here")

// errAdopting says that moving a file in did not come to its end, errRunning that processes
// of a hub use the database.
var (
	errAdopting = errors.New("a file was being moved into this database and that did not end: adopt the file again")
	errRunning  = errors.New("processes of the hub use this database: end them first, or wait ten seconds if they were lost")
)

// Adopt moves everything that a file keeps into this store, which has to be empty: entries
// with their numbers, chains and arrivals, people, refusals, decisions, outbox and
// cursors. Compacted arc counts stay compacted. The cache is not moved. At the end the
// digests of both are compared; until then, and after a failure, the store can only be
// opened with [Options.Adopting], and adopting begins from the start. It returns the
// number of entries. Nothing may write to the file meanwhile. Accounts are in files beside
// the store, and are not touched.
func (s *Store) Adopt(ctx context.Context, from *store.Store) (entries uint64, err error) {
	if err := s.beginAdopting(ctx, from.Name()); err != nil {
		return 0, err
	}
	a := adopting{s: s, from: from, slots: map[int]*adopted{}}
	for _, step := range []func(context.Context) error{a.entries, a.people, a.refusals, a.decisions, a.cursors, a.same} {
		if err := step(ctx); err != nil {
			return 0, fmt.Errorf("the file was not adopted: %w", away(err))
		}
	}
	_, err = s.pool.Exec(ctx, `update meta set adopting = false`)
	s.name = from.Name()
	return a.count, away(err)
}

// beginAdopting notes that a file is being moved in, after it has taken back what a move
// that did not end has written.
func (s *Store) beginAdopting(ctx context.Context, name string) error {
	return s.inOne(ctx, func(tx pgx.Tx) error {
		var again, running bool
		err := tx.QueryRow(ctx, `select adopting, exists (select from processes where until > clock_timestamp()) from meta for update`).Scan(&again, &running)
		switch {
		case err != nil:
			return err
		case running:
			return errRunning
		case again:
			for _, sql := range []string{
				`truncate entries, heads, counts, people, refusals, refusal_counts, counters, decisions, outcomes, outbox, outbox_keys, cursors`,
				`delete from generations where generation = 0`,
				`update slots set epoch = 1, seq = 0, entries = 0, conflicts = 0, machines = 0`,
			} {
				if _, err := tx.Exec(ctx, sql); err != nil {
					return err
				}
			}
		}
		tag, err := tx.Exec(ctx, `update meta set adopting = true, name = $1
			where not exists (select from slots where entries > 0) and not exists (select from refusals) and not exists (select from decisions) and not exists (select from people)`, name)
		if err == nil && tag.RowsAffected() == 0 {
			err = ErrNotEmpty
		}
		return err
	})
}

// adopting is the state of one Adopt.
type adopting struct {
	s     *Store
	from  *store.Store
	slots map[int]*adopted
	count uint64
	gone  int64 // compacted arc counts
}

// adopted is what was read for one slot.
type adopted struct {
	rows      []row // not written yet
	heads     map[string]*head
	entries   int
	conflicts int
}

// inPage is how many entries one transaction writes.
const inPage = 2000

func (a *adopting) entries(ctx context.Context) error {
	err := a.from.Walk(func(k store.Kept) error {
		slot := a.s.Slot(k.Machine)
		of := a.slots[slot]
		if of == nil {
			of = &adopted{heads: map[string]*head{}}
			a.slots[slot] = of
		}
		if err := a.add(of, k); err != nil {
			return err
		}
		if len(of.rows) < inPage {
			return nil
		}
		return a.flush(ctx, slot, of)
	})
	if err != nil {
		return err
	}
	epoch, seq, err := a.from.Position()
	if err != nil {
		return err
	}
	for slot := range a.s.slots {
		if err := a.finish(ctx, slot, place{epoch + 1, seq}); err != nil {
			return err
		}
	}
	a.s.saw(place{epoch + 1, seq})
	_, err = a.s.pool.Exec(ctx, `insert into generations (generation, dropped) values (0, $1)`, a.gone)
	return err
}

// add adds an entry to what is written next.
func (a *adopting) add(of *adopted, k store.Kept) error {
	r := row{Kept: k}
	conflict, err := k.Conflict()
	if err != nil {
		return err
	}
	h := of.heads[k.Machine]
	if h == nil {
		h = &head{changed: true}
		of.heads[k.Machine] = h
	}
	h.entries++
	h.place, h.chain = place{k.Epoch, k.Seq}, k.Link()[16:]
	e, err := k.Entry()
	switch {
	case err != nil:
		return err
	case conflict:
		r.kind = conflicting
		h.conflicts++
		of.conflicts++
	default:
		h.counter = h.counter.Next(&e)
		if e.Type == drift.TypeSetup {
			r.kind = setup
		}
	}
	generation := 1
	if k.Whole == nil {
		generation = 0
		a.gone++
	}
	if k.Reduced != nil {
		r.generation = &generation
	}
	of.rows = append(of.rows, r)
	of.entries++
	a.count++
	return nil
}

func (a *adopting) flush(ctx context.Context, slot int, of *adopted) error {
	if len(of.rows) == 0 {
		return nil
	}
	b := &pgx.Batch{}
	queueEntries(b, slot, of.rows)
	of.rows = of.rows[:0]
	return a.s.pool.SendBatch(ctx, b).Close()
}

// finish writes what is left of a slot, and its heads and counts.
func (a *adopting) finish(ctx context.Context, slot int, last place) error {
	of := a.slots[slot]
	if of == nil {
		of = &adopted{}
	}
	if err := a.flush(ctx, slot, of); err != nil {
		return err
	}
	b := &pgx.Batch{}
	if len(of.heads) > 0 {
		queueHeads(b, slot, of.heads)
	}
	machines := len(of.heads)
	for machine := range of.heads {
		if machine == "" {
			machines--
		}
		origin, err := a.from.Origin(machine)
		if err != nil {
			return err
		}
		b.Queue(`update heads set origin = $3 where slot = $1 and machine = $2`, slot, machine, origin)
	}
	b.Queue(`update slots set epoch = $2, seq = $3, entries = $4, conflicts = $5, machines = $6 where slot = $1`, slot, last.epoch, last.seq, of.entries, of.conflicts, machines)
	return a.s.pool.SendBatch(ctx, b).Close()
}

func (a *adopting) people(ctx context.Context) error {
	people, changes, err := a.from.People()
	if err != nil {
		return err
	}
	return a.s.inOne(ctx, func(tx pgx.Tx) error {
		for _, p := range people {
			if _, err := tx.Exec(ctx, `insert into people (pseudonym, first, name, change) values ($1, $2, $3, $4)`, p.Pseudonym, p.First, []byte(p.Name), p.Change); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `insert into counters (name, n) values ('people', $1)`, changes)
		return err
	})
}

func (a *adopting) refusals(ctx context.Context) error {
	changed, err := a.from.RefusalsSince(0, 1<<30)
	if err != nil {
		return err
	}
	byAge := map[string]int64{} // the number of each, by its mark
	oldest, err := a.from.Refusals("", 0)
	if err != nil {
		return err
	}
	stats, err := a.from.Stats()
	if err != nil {
		return err
	}
	for i := range oldest { // newest first
		byAge[string(store.RefusalMark(&oldest[i]))] = int64(stats.Refused) - int64(i)
	}
	counts, err := a.from.RefusalCounts()
	if err != nil {
		return err
	}
	return a.s.inOne(ctx, func(tx pgx.Tx) error {
		last := uint64(0)
		for i := range changed {
			c := &changed[i]
			raw, err := json.Marshal(c.Refusal)
			if err != nil {
				return err
			}
			mark := store.RefusalMark(&c.Refusal)
			last = c.Change
			if _, err := tx.Exec(ctx, `insert into refusals (n, change, mark, machine, refusal) values ($1, $2, $3, $4, $5)`, byAge[string(mark)], c.Change, mark, legible(c.Machine), raw); err != nil {
				return err
			}
		}
		for _, c := range counts {
			if _, err := tx.Exec(ctx, `insert into refusal_counts (key, n) values ($1, $2)`, []byte(c.Machine+"\x00"+c.Field+"\x00"+c.Reason), c.Count); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `insert into counters (name, n) values ('refused', $1), ('refusal changes', $2)`, stats.Refused, last)
		return err
	})
}

func (a *adopting) decisions(ctx context.Context) error {
	state, err := a.from.Decided()
	if err != nil {
		return err
	}
	outcomes, err := a.from.Outcomes()
	if err != nil {
		return err
	}
	waits, done, err := a.from.Outbox()
	if err != nil {
		return err
	}
	if state != nil || len(outcomes)+len(waits) > 0 {
		if err := a.s.Decide(state, outcomes, waits); err != nil {
			return err
		}
	}
	return a.s.inOne(ctx, func(tx pgx.Tx) error {
		for _, d := range done {
			if _, err := tx.Exec(ctx, `insert into outbox_keys (slot, key, queue, n, settled) values ($1, $2, '', 0, $3)`, a.s.scope, d.Key, d.Time); err != nil {
				return err
			}
		}
		return nil
	})
}

func (a *adopting) cursors(context.Context) error {
	all, err := a.from.Cursors()
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if err == nil {
			err = a.s.SetCursor(name, all[name])
		}
	}
	return err
}

// same compares the digests of both stores.
func (a *adopting) same(context.Context) error {
	was, err := a.from.Digests()
	if err != nil {
		return err
	}
	is, err := a.s.Digests()
	if err != nil {
		return err
	}
	for machine := range was {
		if is[machine] != was[machine] {
			return fmt.Errorf("the records of machine %q are not the same in both", machine)
		}
	}
	if len(is) != len(was) {
		return errors.New("the machines are not the same in both")
	}
	return nil
}
