package pgstore

import (
	"bytes"
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// keysFor is how long the key of a settled item is remembered at least.
const keysFor = 90 * 24 * time.Hour

// Decide stores the caller's state, adds outcomes and puts items into their queues, all
// in one transaction. The error may be [ErrFenced], see Under, or an [*AwayError].
func (s *Store) Decide(state []byte, outcomes [][]byte, items []store.OutboxItem) error {
	return s.decide(state, outcomes, items, func(context.Context, pgx.Tx) error { return nil })
}

// ErrChanged says that another process has decided since the caller last read the state.
var ErrChanged = errors.New("another process has decided meanwhile: nothing was written")

// DecideAfter is Decide, unless the state that is stored is no longer the one before: then
// the error is [ErrChanged].
func (s *Store) DecideAfter(before, state []byte, outcomes [][]byte, items []store.OutboxItem) error {
	return s.decide(state, outcomes, items, func(ctx context.Context, tx pgx.Tx) error {
		var is []byte
		err := tx.QueryRow(ctx, `select state from decisions where slot = $1 for update`, s.scope).Scan(&is)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		if !bytes.Equal(is, before) {
			return ErrChanged
		}
		return nil
	})
}

func (s *Store) decide(state []byte, outcomes [][]byte, items []store.OutboxItem, check func(context.Context, pgx.Tx) error) error {
	ctx, cancel := s.bounded()
	defer cancel()
	return s.owned(ctx, s.scope, func(tx pgx.Tx) error {
		if err := check(ctx, tx); err != nil {
			return err
		}
		var numbers struct{ outcomes, items int64 }
		err := tx.QueryRow(ctx, `insert into decisions (slot, state) values ($1, $2) on conflict (slot) do update set state = excluded.state
			returning outcomes, items`, s.scope, notNil(state)).Scan(&numbers.outcomes, &numbers.items)
		if err != nil {
			return err
		}
		b := &pgx.Batch{}
		queueOutcomes(b, s.scope, numbers.outcomes, outcomes)
		queueItems(b, s.scope, numbers.items, items)
		b.Queue(`update decisions set outcomes = outcomes + $2, items = items + $3 where slot = $1`, s.scope, len(outcomes), len(items))
		return tx.SendBatch(ctx, b).Close()
	})
}

// queueOutcomes queues the statement that adds outcomes after the last number given.
func queueOutcomes(b *pgx.Batch, slot int, last int64, outcomes [][]byte) {
	if len(outcomes) == 0 {
		return
	}
	numbers, bodies := make([]int64, len(outcomes)), make([][]byte, len(outcomes))
	for i, body := range outcomes {
		numbers[i], bodies[i] = last+int64(i)+1, notNil(body)
	}
	b.Queue(`insert into outcomes (slot, n, body) select $1, * from unnest($2::bigint[], $3::bytea[])`, slot, numbers, bodies)
}

// queueItems queues the statements that put items into their queues after the last number
// given, but for those whose key was used before: it then has another number. However many
// there are, it is two statements: a fleet that is looked at for the first time may have
// ten thousand.
func queueItems(b *pgx.Batch, slot int, last int64, items []store.OutboxItem) {
	if len(items) == 0 {
		return
	}
	queues, keys := make([]string, len(items)), make([]string, len(items))
	numbers, bodies := make([]int64, len(items)), make([][]byte, len(items))
	for i := range items {
		queues[i], keys[i], numbers[i], bodies[i] = items[i].Queue, items[i].Key, last+int64(i)+1, notNil(items[i].Body)
	}
	b.Queue(`insert into outbox_keys (slot, key, queue, n) select $1, * from unnest($2::text[], $3::text[], $4::bigint[]) on conflict do nothing`,
		slot, keys, queues, numbers)
	b.Queue(`insert into outbox (slot, queue, n, key, body) select $1, w.* from unnest($2::text[], $3::bigint[], $4::text[], $5::bytea[]) as w (queue, n, key, body)
		join outbox_keys k on k.slot = $1 and k.key = w.key and k.n = w.n`, slot, queues, numbers, keys, bodies)
}

func notNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// Decided returns the state that was stored last, nil before the first.
func (s *Store) Decided() ([]byte, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	var state []byte
	err := s.pool.QueryRow(ctx, `select state from decisions where slot = $1`, s.scope).Scan(&state)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return state, away(err)
}

// Outcomes returns all outcomes, oldest first.
func (s *Store) Outcomes() ([][]byte, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select body from outcomes where slot = $1 order by n`, s.scope)
	if err != nil {
		return nil, away(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
	return out, away(err)
}

// Oldest returns the first item of a queue that is not settled, and whether there is one.
func (s *Store) Oldest(queue string) (store.OutboxItem, bool, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	item := store.OutboxItem{Queue: queue}
	err := s.pool.QueryRow(ctx, `select key, body from outbox where slot = $1 and queue = $2 order by n limit 1`, s.scope, queue).Scan(&item.Key, &item.Body)
	if errors.Is(err, pgx.ErrNoRows) {
		return store.OutboxItem{}, false, nil
	}
	return item, err == nil, away(err)
}

// waiting returns all items that are not settled, those of a queue in order.
func (s *Store) waiting() ([]store.OutboxItem, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select queue, key, body from outbox where slot = $1 order by queue, n`, s.scope)
	if err != nil {
		return nil, away(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByPos[store.OutboxItem])
	return out, away(err)
}

// Waiting counts the items of a queue that are not settled.
func (s *Store) Waiting(queue string) (n int, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	err = s.pool.QueryRow(ctx, `select count(*) from outbox where slot = $1 and queue = $2`, s.scope, queue).Scan(&n)
	return n, away(err)
}

// Replace changes the body of an item that waits; the item keeps its place. Of one that
// is settled or unknown it changes nothing. Errors are as of Decide.
func (s *Store) Replace(item store.OutboxItem) error {
	ctx, cancel := s.bounded()
	defer cancel()
	return s.owned(ctx, s.scope, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update outbox o set body = $3 from outbox_keys k
			where k.slot = $1 and k.key = $2 and o.slot = $1 and o.queue = k.queue and o.n = k.n`, s.scope, item.Key, notNil(item.Body))
		return err
	})
}

// Settle removes an item from its queue and remembers its key for 90 days at least.
// Errors are as of Decide.
func (s *Store) Settle(key string) error {
	ctx, cancel := s.bounded()
	defer cancel()
	return s.owned(ctx, s.scope, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `delete from outbox o using outbox_keys k
			where k.slot = $1 and k.key = $2 and o.slot = $1 and o.queue = k.queue and o.n = k.n`, s.scope, key); err != nil {
			return err
		}
		now := s.now()
		if _, err := tx.Exec(ctx, `update outbox_keys set settled = $3 where slot = $1 and key = $2 and settled is null`, s.scope, key, now); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `delete from outbox_keys where slot = $1 and settled < $2`, s.scope, now.Add(-keysFor))
		return err
	})
}

// slotOf is the slot of a cached value: that of the machine it is named after, or Whole.
func (s *Store) slotOf(name string) int {
	if drift.ValidMachine(name) {
		return s.Slot(name)
	}
	return Whole
}

// PutCached stores the values under their names, those of one slot in one transaction.
// Errors are as of Decide; some of the values may then have been stored.
func (s *Store) PutCached(values map[string][]byte) error {
	ctx, cancel := s.bounded()
	defer cancel()
	type cached struct {
		names  []string
		values [][]byte
	}
	slots := map[int]*cached{}
	for name, value := range values {
		slot := s.slotOf(name)
		if slots[slot] == nil {
			slots[slot] = &cached{}
		}
		slots[slot].names, slots[slot].values = append(slots[slot].names, name), append(slots[slot].values, notNil(value))
	}
	for slot, c := range slots {
		err := s.owned(ctx, slot, func(tx pgx.Tx) error {
			_, err := tx.Exec(ctx, `insert into cache (slot, name, value) select $1, * from unnest($2::text[], $3::bytea[])
				on conflict (slot, name) do update set value = excluded.value`, slot, c.names, c.values)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// Cached returns the value of a name, nil if there is none.
func (s *Store) Cached(name string) ([]byte, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	var value []byte
	err := s.pool.QueryRow(ctx, `select value from cache where slot = $1 and name = $2`, s.slotOf(name), name).Scan(&value)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return bytes.Clone(value), away(err)
}

// Cursor returns the cursor of that name; a zero one, with which everything is sent, if
// there is none.
func (s *Store) Cursor(name string) (c store.Cursor, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	err = s.pool.QueryRow(ctx, `select epoch, seq, refusal, people from cursors where name = $1`, name).Scan(&c.Epoch, &c.Seq, &c.Refusal, &c.People)
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Cursor{}, nil
	}
	return c, away(err)
}

// SetCursor stores the cursor of that name and returns when it is durable.
func (s *Store) SetCursor(name string, c store.Cursor) error {
	ctx, cancel := s.bounded()
	defer cancel()
	_, err := s.pool.Exec(ctx, `insert into cursors (name, epoch, seq, refusal, people) values ($1, $2, $3, $4, $5)
		on conflict (name) do update set epoch = excluded.epoch, seq = excluded.seq, refusal = excluded.refusal, people = excluded.people`,
		name, c.Epoch, c.Seq, c.Refusal, c.People)
	return away(err)
}
