package pgstore

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"math"
	"slices"

	"arcdrift/agent/fleet"
)

// Values implements [share.Many].
func (t Table) Values(ctx context.Context, slot int, names []string) (map[string][]byte, error) {
	rows, err := t.s.pool.Query(ctx, `select name, value from cache where slot = $1 and name = any($2)`, slot, names)
	if err != nil {
		return nil, away(err)
	}
	out := make(map[string][]byte, len(names))
	err = each(rows, func() error {
		var name string
		var value []byte
		err := rows.Scan(&name, &value)
		out[name] = value
		return err
	})
	return out, away(err)
}

// Stretches implements [share.Many]: one query for all machines, and one for the people
// in their records.
func (t Table) Stretches(ctx context.Context, slot int, links map[string][]byte) (map[string]fleet.Stretch, error) {
	all, err := t.s.rowsAfter(ctx, slot, links)
	if err != nil {
		return nil, away(err)
	}
	out := make(map[string]fleet.Stretch, len(links))
	var people []string
	for machine, link := range links {
		rows, last := after(all[machine], link)
		entries, err := entriesOf(rows, false)
		if err != nil {
			continue
		}
		people = append(people, peopleOf(entries)...)
		out[machine] = fleet.Stretch{Entries: entries, Link: last}
	}
	if len(people) == 0 {
		return out, nil
	}
	r := newRoster()
	if err := r.know(ctx, t.s.pool, people); err != nil {
		return nil, away(err)
	}
	for _, s := range out {
		r.Show(s.Entries)
	}
	return out, nil
}

// rowsAfter reads the entries of machines of one slot in order, each from that of its link
// on; with a nil link all of them.
func (s *Store) rowsAfter(ctx context.Context, slot int, links map[string][]byte) (map[string][]row, error) {
	var machines []string
	var epochs, seqs []uint64
	for machine, link := range links {
		if from, ok := placeOf(link); ok {
			machines, epochs, seqs = append(machines, machine), append(epochs, from.epoch), append(seqs, from.seq)
		}
	}
	// "offset 0" has the rows found by the index, however few the planner expects.
	rows, err := s.pool.Query(ctx, `select e.machine, e.epoch, e.seq, e.kind, e.generation, e.id, e.value, c.value
		from unnest($2::text[], $3::bigint[], $4::bigint[]) as w (machine, epoch, seq)
		cross join lateral (select `+columns+` from entries
			where slot = $1 and machine = w.machine and (epoch, seq) >= (w.epoch, w.seq) offset 0) e
		left join lateral (select value from counts
			where slot = $1 and machine = e.machine and epoch = e.epoch and seq = e.seq and generation = e.generation offset 0) c on true`,
		slot, machines, epochs, seqs)
	if err != nil {
		return nil, err
	}
	out := make(map[string][]row, len(links))
	err = each(rows, func() error {
		var r row
		var value, whole []byte
		err := rows.Scan(&r.Machine, &r.Epoch, &r.Seq, &r.kind, &r.generation, &r.ID, &value, &whole)
		if r.Whole = value; r.generation != nil {
			r.Whole, r.Reduced = whole, value
		}
		out[r.Machine] = append(out[r.Machine], r)
		return err
	})
	for _, of := range out {
		inOrder(of)
	}
	return out, err
}

// inOrder sorts rows by their numbers.
func inOrder(rows []row) {
	slices.SortFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.Seq, b.Seq)) })
}

// placeOf is the number that a link names, zeros for a nil one; false for what is no link.
func placeOf(link []byte) (p place, ok bool) {
	if link == nil {
		return p, true
	}
	if len(link) < 16 {
		return p, false
	}
	p = place{binary.BigEndian.Uint64(link), binary.BigEndian.Uint64(link[8:])}
	return p, max(p.epoch, p.seq) <= math.MaxInt64
}

// after are the rows after a link, of those from its entry on, and the link of the last;
// nil for both if the machine does not have the link.
func after(rows []row, link []byte) (rest []row, last []byte) {
	if link != nil {
		if len(rows) == 0 || !bytes.Equal(rows[0].Link(), link) {
			return nil, nil
		}
		rows = rows[1:]
	}
	if n := len(rows); n > 0 {
		return rows, rows[n-1].Link()
	}
	return nil, link
}
