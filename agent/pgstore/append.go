package pgstore

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/sync/errgroup"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// The kinds of entry, as column kind holds them.
const (
	ordinary = iota
	conflicting
	setup
)

// Append stores the entries, those of one machine in this order, and the refusals. It
// returns one Placement for each entry when all are durable. The entries of each slot are
// one transaction, and the refusals are one, so with an error some may have been stored:
// nothing may be acknowledged, and submitting all again is harmless. Every entry must have
// its id; the entries given are not changed. The error is an [*AwayError] if it passes.
func (s *Store) Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	ready := store.Prepare(entries)
	ctx, cancel := s.bounded()
	defer cancel()
	r, err := s.enrol(ctx, ready)
	if err != nil {
		return nil, away(err)
	}
	placed := make([]drift.Placement, len(ready))
	before := s.numbers.reserve(len(ready))
	parts := map[int]*part{}
	for i := range ready {
		slot := s.Slot(ready[i].Machine)
		if parts[slot] == nil {
			parts[slot] = &part{slot: slot, slots: s.slots, ready: ready, placed: placed, before: before, roster: r}
		}
		parts[slot].of = append(parts[slot].of, i)
	}
	if err := s.storeAll(ctx, parts, refusals); err != nil {
		return nil, away(err)
	}
	for _, p := range parts {
		s.saw(p.last)
	}
	return placed, nil
}

// storeAll stores the parts and the refusals. The database flushes its log once for all
// parts: they commit without waiting, and then an empty message is written behind them, whose
// commit waits until the log is on the disk, and on a replica that commits wait for. It
// holds no lock meanwhile. Before that nothing is acknowledged.
func (s *Store) storeAll(ctx context.Context, parts map[int]*part, refusals []drift.Refusal) error {
	group, within := errgroup.WithContext(ctx)
	group.SetLimit(max(1, s.options.Connections-2)) // readers need some too
	together := len(parts) > 1 && !s.options.flushEach
	for _, p := range parts {
		p.durable = !together
		group.Go(func() error { return s.withConn(within, p.store) })
	}
	if len(refusals) > 0 {
		group.Go(func() error { return s.refuse(within, refusals) })
	}
	if err := group.Wait(); err != nil || !together {
		return err
	}
	_, err := s.pool.Exec(ctx, `select pg_logical_emit_message(true, 'arcdrift', '')`)
	return err
}

func (s *Store) withConn(ctx context.Context, f func(context.Context, *pgxpool.Conn) error) error {
	return s.pool.AcquireFunc(ctx, func(c *pgxpool.Conn) error { return f(ctx, c) })
}

// part is the entries of one slot in one Append.
type part struct {
	slot   int
	slots  int // that there are
	ready  []store.Prepared
	of     []int // which of them are this slot's
	placed []drift.Placement
	before place // the tick before the first of all, see numbers
	roster *roster
	// durable: the commit waits for the disk, see storeAll.
	durable bool

	last       place // the last number of the slot
	generation int
	machines   map[string]*head
	known      map[string][]row // the entries of an id key
	rows       []row
	fresh      struct{ machines, conflicts int }
}

// head is where a machine's chain ends.
type head struct {
	place
	entries, conflicts int64
	counter            drift.Counter
	chain, origin      []byte
	changed            bool
}

// row is an entry with its columns.
type row struct {
	store.Kept
	kind       int
	generation *int // of an arc count that can lose its record
}

// store stores the part in one transaction of two round trips. A durable one that finds
// only repeats commits too: its lock is in the log, after the commits of what it found.
func (p *part) store(ctx context.Context, c *pgxpool.Conn) error {
	err := p.read(ctx, c)
	if err == nil {
		err = p.place()
	}
	if err != nil || len(p.rows) == 0 && !p.durable {
		_, end := c.Exec(ctx, "rollback") // ends the lock; a broken connection has none
		if err == nil {
			err = end
		}
		return err
	}
	return p.write(ctx, c)
}

// read locks the slot and reads what the entries may meet there.
func (p *part) read(ctx context.Context, c *pgxpool.Conn) error {
	var machines []string
	var ids [][]byte
	for _, i := range p.of {
		e := &p.ready[i]
		machines = append(machines, e.Machine)
		ids = append(ids, e.Key())
		if e.Former(p.roster.Roster); e.Other() != nil {
			ids = append(ids, e.Other())
		}
	}
	slices.Sort(machines)
	machines = slices.Compact(machines)
	p.machines, p.known = map[string]*head{}, map[string][]row{}

	b := &pgx.Batch{}
	lock := `select epoch, seq, generation, set_config('synchronous_commit', 'off', true) from slots where slot = $1 for update`
	if p.durable {
		lock = `select epoch, seq, generation, '' from slots where slot = $1 for update`
	}
	b.Queue("begin")
	b.Queue(lock, p.slot).QueryRow(func(r pgx.Row) error {
		return r.Scan(&p.last.epoch, &p.last.seq, &p.generation, nil)
	})
	b.Queue(`select `+headColumns+` from heads where slot = $1 and machine = any($2)`, p.slot, machines).
		Query(func(rows pgx.Rows) error {
			return each(rows, func() error {
				machine, h, err := scanHead(rows)
				p.machines[machine] = &h
				return err
			})
		})
	var counts bool
	// "offset 0" has the rows found by their ids: a plan from when the table was empty would
	// read all of the slot in order.
	b.Queue(`select e.* from unnest($2::bytea[]) as w (id) cross join lateral (select `+columns+` from entries where slot = $1 and id = w.id offset 0) e`, p.slot, ids).
		Query(func(rows pgx.Rows) error {
			return each(rows, func() error {
				r, err := scanRow(rows)
				counts = counts || r.generation != nil
				p.known[string(r.ID)] = append(p.known[string(r.ID)], r)
				return err
			})
		})
	if err := c.SendBatch(ctx, b).Close(); err != nil || len(p.known) == 0 {
		return err
	}
	for _, of := range p.known {
		inOrder(of)
	}
	return p.repeats(ctx, c, counts)
}

// repeats completes the entries that the new ones may repeat.
func (p *part) repeats(ctx context.Context, c *pgxpool.Conn, counts bool) error {
	var all []*row
	for _, of := range p.known {
		for i := range of {
			all = append(all, &of[i])
		}
	}
	if counts {
		if err := wholes(ctx, c, p.slot, all); err != nil {
			return err
		}
	}
	return p.roster.know(ctx, c, named(all))
}

// place gives every new entry its number, and finds the repeats.
func (p *part) place() error {
	for _, i := range p.of {
		e := &p.ready[i]
		own := p.own(e.Key(), e.Machine)
		if p.repeat(i, own) || p.repeat(i, p.own(e.Other(), e.Machine)) {
			continue
		}
		at := p.number(i)
		h := p.machines[e.Machine]
		if h == nil {
			h = &head{chain: make([]byte, 32)}
			p.machines[e.Machine] = h
			if e.Machine != "" {
				p.fresh.machines++
			}
		}
		conflict := len(own) > 0
		r := row{}
		r.Kept, h.chain = e.Keep(at.epoch, at.seq, h.chain, conflict, p.roster.pseudonym)
		h.place, h.changed = at, true
		h.entries++
		switch {
		case conflict:
			r.kind = conflicting
			h.conflicts++
			p.fresh.conflicts++
		case e.Type == drift.TypeSetup:
			r.kind = setup
		}
		if !conflict {
			h.counter = e.Counter(h.counter)
		}
		if r.Reduced != nil {
			r.generation = &p.generation
		}
		p.last = at
		p.placed[i] = drift.Placement{Epoch: at.epoch, Seq: at.seq, Conflict: conflict}
		p.known[string(e.Key())] = append(p.known[string(e.Key())], r)
		p.rows = append(p.rows, r)
	}
	return p.roster.failed()
}

// number is the number of an entry: the process's tick for it, or the one after the slot's
// last; the slot is the remainder, so that no two slots give the same number.
func (p *part) number(i int) place {
	number := func(tick uint64) uint64 { return tick*uint64(p.slots) + uint64(p.slot) }
	at := place{p.before.epoch, number(p.before.seq + uint64(i) + 1)}
	if !p.last.before(at) {
		at = place{p.last.epoch, number(p.last.seq/uint64(p.slots) + 1)}
	}
	return at
}

// own are the entries of an id that belong to the machine. A sender for another machine
// cannot claim an id.
func (p *part) own(key []byte, machine string) []row {
	if key == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(p.known[string(key)]), func(r row) bool { return r.Machine != machine })
}

func (p *part) repeat(i int, own []row) bool {
	for n := range own {
		if same, conflict := own[n].Matches(&p.ready[i], p.roster.Roster); same {
			p.placed[i] = drift.Placement{Epoch: own[n].Epoch, Seq: own[n].Seq, Duplicate: true, Conflict: conflict}
			return true
		}
	}
	return false
}

// write writes the new entries and what they change, and commits.
func (p *part) write(ctx context.Context, c *pgxpool.Conn) error {
	b := &pgx.Batch{}
	queueEntries(b, p.slot, p.rows)
	queueHeads(b, p.slot, p.machines)
	b.Queue(`update slots set epoch = $2, seq = $3, entries = entries + $4, conflicts = conflicts + $5, machines = machines + $6 where slot = $1`,
		p.slot, p.last.epoch, p.last.seq, len(p.rows), p.fresh.conflicts, p.fresh.machines)
	done := false
	b.Queue("commit").Exec(func(tag pgconn.CommandTag) error {
		done = tag.String() == "COMMIT"
		return nil
	})
	if err := c.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	if !done {
		return errors.New("the database rolled the transaction back")
	}
	return nil
}

// queueEntries queues the statements that add entries of a slot.
func queueEntries(b *pgx.Batch, slot int, rows []row) {
	n := len(rows)
	machines, ids, values := make([]string, n), make([][]byte, n), make([][]byte, n)
	epochs, seqs := make([]uint64, n), make([]uint64, n)
	kinds, generations := make([]int, n), make([]*int, n)
	var of counts
	for i := range rows {
		r := &rows[i]
		machines[i], epochs[i], seqs[i], kinds[i], ids[i], values[i] = r.Machine, r.Epoch, r.Seq, r.kind, r.ID, r.Whole
		if generations[i] = r.generation; r.generation == nil {
			continue
		}
		values[i] = r.Reduced
		if r.Whole != nil {
			of.machines, of.epochs, of.seqs = append(of.machines, r.Machine), append(of.epochs, r.Epoch), append(of.seqs, r.Seq)
			of.generations, of.values = append(of.generations, *r.generation), append(of.values, r.Whole)
		}
	}
	b.Queue(`insert into entries (slot, machine, epoch, seq, kind, generation, id, value)
		select $1, * from unnest($2::text[], $3::bigint[], $4::bigint[], $5::smallint[], $6::integer[], $7::bytea[], $8::bytea[])`,
		slot, machines, epochs, seqs, kinds, generations, ids, values)
	if len(of.values) > 0 {
		b.Queue(`insert into counts (slot, machine, epoch, seq, generation, value)
			select $1, * from unnest($2::text[], $3::bigint[], $4::bigint[], $5::integer[], $6::bytea[])`,
			slot, of.machines, of.epochs, of.seqs, of.generations, of.values)
	}
}

// counts are rows of the table of that name, by column.
type counts struct {
	machines    []string
	epochs      []uint64
	seqs        []uint64
	generations []int
	values      [][]byte
}

// queueHeads queues the statement that sets the heads that have changed.
func queueHeads(b *pgx.Batch, slot int, heads map[string]*head) {
	var machines []string
	var epochs, seqs []uint64
	var entries, conflicts []int64
	var arcs, counted []*int64
	var chains [][]byte
	for machine, h := range heads {
		if !h.changed {
			continue
		}
		machines, epochs, seqs = append(machines, machine), append(epochs, h.epoch), append(seqs, h.seq)
		entries, conflicts, chains = append(entries, h.entries), append(conflicts, h.conflicts), append(chains, h.chain)
		a, at := columnsOf(h.counter)
		arcs, counted = append(arcs, a), append(counted, at)
	}
	b.Queue(`insert into heads (slot, machine, epoch, seq, entries, conflicts, arcs, counted, chain)
		select $1, * from unnest($2::text[], $3::bigint[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[], $8::bigint[], $9::bytea[])
		on conflict (slot, machine) do update set epoch = excluded.epoch, seq = excluded.seq, entries = excluded.entries,
			conflicts = excluded.conflicts, arcs = excluded.arcs, counted = excluded.counted, chain = excluded.chain`,
		slot, machines, epochs, seqs, entries, conflicts, arcs, counted, chains)
}

// columnsOf are the columns of a counter: the count and its time in nanoseconds since
// 1970, nil where they are not known.
func columnsOf(c drift.Counter) (arcs, counted *int64) {
	if n, known := c.Arcs.Get(); known {
		arcs = &n
	}
	if !c.At.IsZero() {
		at := c.At.UnixNano()
		counted = &at
	}
	return arcs, counted
}

const headColumns = `machine, epoch, seq, entries, conflicts, arcs, counted, chain, origin`

func scanHead(rows pgx.Rows) (machine string, h head, err error) {
	var arcs, counted *int64
	err = rows.Scan(&machine, &h.epoch, &h.seq, &h.entries, &h.conflicts, &arcs, &counted, &h.chain, &h.origin)
	if arcs != nil {
		h.counter.Arcs = drift.Some(*arcs)
	}
	if counted != nil {
		h.counter.At = time.Unix(0, *counted).UTC()
	}
	return machine, h, err
}
