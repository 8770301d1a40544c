package pgstore

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
)

// MoveOut moves everything that this store keeps into a new file, the way back to one
// computer: entries with their numbers, chains and arrivals, people, refusals, decisions,
// outbox and cursors; what [Store.Adopt] moves in, the other way. Arc counts of dropped
// generations are compacted ones there. The cache is not moved, nor are the decisions of
// single slots. Each machine is compared with its head here, and the file is checked whole,
// before it gets its name: an error leaves nothing behind, and nothing changes here. It
// returns the number of entries. Processes of a hub must have ended.
func (s *Store) MoveOut(ctx context.Context, path string) (entries uint64, err error) {
	if err := s.Unused(ctx); err != nil {
		return 0, err
	}
	err = store.Arrive(path, s.name, s.now, func(to *store.Arrival) error {
		m := leaving{s: s, to: to}
		for slot := range s.slots {
			if err := m.slot(ctx, slot); err != nil {
				return err
			}
		}
		entries = m.entries
		rest, err := m.rest(ctx)
		if err != nil {
			return err
		}
		// A process may have begun meanwhile.
		return errors.Join(to.Rest(rest), s.Unused(ctx))
	})
	if err != nil {
		return 0, fmt.Errorf("the records were not moved, and nothing has changed: %w", away(err))
	}
	return entries, nil
}

// Unused is nil if no process of a hub uses the database.
func (s *Store) Unused(ctx context.Context) error {
	return away(unused(ctx, s.pool))
}

func unused(ctx context.Context, q asker) error {
	var running bool
	err := q.QueryRow(ctx, `select exists (select from processes where until > clock_timestamp())`).Scan(&running)
	if err == nil && running {
		return errRunning
	}
	return err
}

// leaving is the state of one MoveOut.
type leaving struct {
	s       *Store
	to      *store.Arrival
	entries uint64
	heads   map[string]head // of the slot, those that were met are gone
	begun   bool            // a machine, which has the head is
	machine string
	is      head
}

func (m *leaving) slot(ctx context.Context, slot int) error {
	rows, err := m.s.pool.Query(ctx, `select `+headColumns+` from heads where slot = $1`, slot)
	if err != nil {
		return err
	}
	m.heads, m.begun = map[string]head{}, false
	if err := each(rows, func() error {
		machine, h, err := scanHead(rows)
		m.heads[machine] = h
		return err
	}); err != nil {
		return err
	}
	if err := m.s.walk(ctx, m.s.pool, slot, m.keep); err != nil {
		return err
	}
	if err := m.end(); err != nil {
		return err
	}
	for machine := range m.heads {
		return &store.Damage{Machine: machine, Meaning: "all its entries were removed"}
	}
	return nil
}

func (m *leaving) keep(rows []row) error {
	for i := range rows {
		r := &rows[i]
		if !m.begun || m.machine != r.Machine {
			if err := m.end(); err != nil {
				return err
			}
			m.begun, m.machine, m.is = true, r.Machine, m.heads[r.Machine]
			delete(m.heads, r.Machine)
			if err := m.to.Begin(r.Machine, m.is.origin); err != nil {
				return err
			}
		}
		if err := m.to.Keep(r.Kept); err != nil {
			return err
		}
		m.entries++
	}
	return nil
}

// end compares the machine's end with its head here.
func (m *leaving) end() error {
	if !m.begun {
		return nil
	}
	h, err := m.to.End()
	if err != nil {
		return err
	}
	if int64(h.Entries) != m.is.entries || h.Epoch != m.is.epoch || h.Seq != m.is.seq || h.Chain != hex.EncodeToString(m.is.chain) {
		return &store.Damage{Machine: h.Machine, Epoch: h.Epoch, Seq: h.Seq, Meaning: "it is not the entry that was stored as the last"}
	}
	return nil
}

// rest reads what is not an entry.
func (m *leaving) rest(ctx context.Context) (*store.Rest, error) {
	r := &store.Rest{Counts: map[string]uint64{}, Positions: map[string]store.Cursor{}}
	var err error
	if r.State, err = m.s.Decided(); err != nil {
		return nil, err
	}
	if r.Outcomes, err = m.s.Outcomes(); err != nil {
		return nil, err
	}
	if r.Waiting, err = m.s.waiting(); err != nil {
		return nil, err
	}
	b := &pgx.Batch{}
	b.Queue(`select coalesce(max(epoch), 0) from slots`).QueryRow(func(row pgx.Row) error { return row.Scan(&r.Epoch) })
	queuePeople(b, r)
	queueRefusals(b, r)
	b.Queue(`select key, settled from outbox_keys where slot = $1 and settled is not null`, m.s.scope).Query(visit(func(rows pgx.Rows) error {
		var d store.SettledItem
		err := rows.Scan(&d.Key, &d.Time)
		r.Settled = append(r.Settled, d)
		return err
	}))
	b.Queue(`select name, epoch, seq, refusal, people from cursors`).Query(visit(func(rows pgx.Rows) error {
		var name string
		var c store.Cursor
		err := rows.Scan(&name, &c.Epoch, &c.Seq, &c.Refusal, &c.People)
		r.Positions[name] = c
		return err
	}))
	return r, m.s.pool.SendBatch(ctx, b).Close()
}

// visit calls one for every row of a query of a batch.
func visit(one func(pgx.Rows) error) func(pgx.Rows) error {
	return func(rows pgx.Rows) error { return each(rows, func() error { return one(rows) }) }
}

// queuePeople queues reading people, and how far the counters go.
func queuePeople(b *pgx.Batch, r *store.Rest) {
	b.Queue(`select name, n from counters`).Query(visit(func(rows pgx.Rows) error {
		var name string
		var n uint64
		err := rows.Scan(&name, &n)
		switch name {
		case "people":
			r.Changes.People = n
		case "refusal changes":
			r.Changes.Refusals = n
		case "refused":
			r.Refused = n
		}
		return err
	}))
	b.Queue(`select pseudonym, first, name, change from people order by change`).Query(visit(func(rows pgx.Rows) error {
		var p store.KnownPerson
		var name []byte
		err := rows.Scan(&p.Pseudonym, &p.First, &name, &p.Change)
		p.Name = string(name)
		r.People = append(r.People, p)
		return err
	}))
}

func queueRefusals(b *pgx.Batch, r *store.Rest) {
	b.Queue(`select n, change, refusal from refusals order by n`).Query(visit(func(rows pgx.Rows) error {
		var one store.NumberedRefusal
		var raw []byte
		err := rows.Scan(&one.Number, &one.Change, &raw)
		if err == nil && json.Unmarshal(raw, &one.Refusal) != nil {
			err = &store.Damage{Meaning: "the list of refused records is corrupt"}
		}
		r.Refusals = append(r.Refusals, one)
		return err
	}))
	b.Queue(`select key, n from refusal_counts`).Query(visit(func(rows pgx.Rows) error {
		var key []byte
		var n uint64
		err := rows.Scan(&key, &n)
		r.Counts[string(key)] = n
		return err
	}))
}
