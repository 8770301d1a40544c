package pgstore

import (
	"context"
	"encoding/binary"
	"errors"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/share"
	"arcdrift/drift"
)

// Table returns the database as the processes of a hub see each other through it.
func (s *Store) Table() Table { return Table{s} }

// Table implements [share.Table].
type Table struct{ s *Store }

// Slots is [Store.Slots].
func (t Table) Slots() int { return t.s.Slots() }

// Slot is [Store.Slot].
func (t Table) Slot(machine string) int { return t.s.Slot(machine) }

// Renew implements [share.Leases]. Every statement is a transaction of its own: a process
// that ends between two of them has done less, and nothing wrong.
func (t Table) Renew(ctx context.Context, r share.Renewal) (share.Picture, error) {
	seconds := r.For.Seconds()
	newest, err := t.newest(ctx)
	if err != nil {
		return share.Picture{}, away(err)
	}
	for _, do := range []struct {
		sql  string
		args []any
		skip bool
	}{
		{sql: `insert into processes (name, until, note) values ($1, clock_timestamp() + make_interval(secs => $2), $3)
			on conflict (name) do update set until = excluded.until, note = excluded.note`, args: []any{r.Process, seconds, notNil(r.Note)}},
		{sql: `delete from processes where until < clock_timestamp() - interval '1 hour'`},
		{sql: `update lease set owner = '', fence = fence + 1, until = '-infinity' where owner = $1 and slot = any($2)`, args: []any{r.Process, r.Leave}, skip: len(r.Leave) == 0},
		{sql: `update lease set until = clock_timestamp() + make_interval(secs => $2) where owner = $1`, args: []any{r.Process, seconds}},
		{sql: `update lease set owner = $1, fence = fence + 1, until = clock_timestamp() + make_interval(secs => $2) where slot in (
			select slot from lease where slot = any($3) and (owner = '' or until <= clock_timestamp()) order by slot for update skip locked)`,
			args: []any{r.Process, seconds, r.Take}, skip: len(r.Take) == 0},
	} {
		if do.skip {
			continue
		}
		if _, err := t.s.pool.Exec(ctx, do.sql, do.args...); err != nil {
			return share.Picture{}, away(err)
		}
	}
	p, err := t.picture(ctx)
	p.Newest = newest
	return p, away(err)
}

// newest are the numbers of the newest entries. Renew reads them before it writes: a commit
// can be seen before it is on the disk, and what a commit that waits for the disk comes
// after is there too, so no crash of the server takes these numbers back.
func (t Table) newest(ctx context.Context) (map[int]share.Mark, error) {
	rows, err := t.s.pool.Query(ctx, `select slot, epoch, seq from slots`)
	if err != nil {
		return nil, err
	}
	out := map[int]share.Mark{}
	return out, each(rows, func() error {
		var slot int
		var m share.Mark
		err := rows.Scan(&slot, &m.Epoch, &m.Seq)
		out[slot] = m
		return err
	})
}

func (t Table) picture(ctx context.Context) (share.Picture, error) {
	p := share.Picture{Notes: map[string][]byte{}, Versions: map[int]int64{}}
	b := &pgx.Batch{}
	b.Queue(`select name, note from processes where until > clock_timestamp() order by name`).Query(func(rows pgx.Rows) error {
		return each(rows, func() error {
			var name string
			var note []byte
			err := rows.Scan(&name, &note)
			p.Processes, p.Notes[name] = append(p.Processes, name), note
			return err
		})
	})
	b.Queue(`select slot, owner, fence, version, owner <> '' and until > clock_timestamp() from lease order by slot`).Query(func(rows pgx.Rows) error {
		return each(rows, func() error {
			var l share.Lease
			var version int64
			var held bool
			err := rows.Scan(&l.Slot, &l.Process, &l.Fence, &version, &held)
			p.Versions[l.Slot] = version
			if held {
				p.Leases = append(p.Leases, l)
			}
			return err
		})
	})
	return p, t.s.pool.SendBatch(ctx, b).Close()
}

// News implements [share.Leases].
func (t Table) News(ctx context.Context, slot int, after share.Mark) (share.News, error) {
	out := share.News{Machines: map[string]drift.Counter{}}
	rows, err := t.s.pool.Query(ctx, `select machine, bool_or(kind = $4) from entries where slot = $1 and (epoch, seq) > ($2, $3) group by machine`, slot, after.Epoch, after.Seq, setup)
	if err != nil {
		return out, away(err)
	}
	var names []string
	err = each(rows, func() error {
		var name string
		var setups bool
		err := rows.Scan(&name, &setups)
		names, out.Setups = append(names, name), out.Setups || setups
		return err
	})
	if err != nil || len(names) == 0 {
		return out, away(err)
	}
	if rows, err = t.s.pool.Query(ctx, `select `+headColumns+` from heads where slot = $1 and machine = any($2)`, slot, names); err != nil {
		return out, away(err)
	}
	err = each(rows, func() error {
		name, h, err := scanHead(rows)
		out.Machines[name] = h.counter
		return err
	})
	return out, away(err)
}

// Links implements [share.Leases]: one query, however many machines there are.
func (t Table) Links(ctx context.Context, slots []int) (map[string][]byte, error) {
	out := map[string][]byte{}
	rows, err := t.s.pool.Query(ctx, `select machine, epoch, seq, chain from heads where slot = any($1) and machine <> '' and entries > 0`, slots)
	if err != nil {
		return nil, away(err)
	}
	err = each(rows, func() error {
		var machine string
		var at place
		var chain []byte
		err := rows.Scan(&machine, &at.epoch, &at.seq, &chain)
		link := binary.BigEndian.AppendUint64(nil, at.epoch)
		out[machine] = append(binary.BigEndian.AppendUint64(link, at.seq), chain...)
		return err
	})
	return out, away(err)
}

// Publish implements [share.States].
func (t Table) Publish(ctx context.Context, slot int, fence int64, values map[string][]byte) error {
	names, raws := make([]string, 0, len(values)), make([][]byte, 0, len(values))
	for name, raw := range values {
		names, raws = append(names, name), append(raws, notNil(raw))
	}
	return t.s.inOne(ctx, func(tx pgx.Tx) error {
		var version int64
		err := tx.QueryRow(ctx, `update lease set version = version + 1 where slot = $1 and fence = $2 returning version`, slot, fence).Scan(&version)
		if errors.Is(err, pgx.ErrNoRows) {
			return share.ErrFenced
		}
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `insert into cache (slot, name, value, version) select $1, n, v, $4 from unnest($2::text[], $3::bytea[]) as u (n, v)
			on conflict (slot, name) do update set value = excluded.value, version = excluded.version`, slot, names, raws, version)
		return err
	})
}

// Published implements [share.States].
func (t Table) Published(ctx context.Context, slot int, after int64) (map[string][]byte, int64, error) {
	out, version := map[string][]byte{}, after
	rows, err := t.s.pool.Query(ctx, `select name, value, version from cache where slot = $1 and version > $2`, slot, after)
	if err != nil {
		return nil, after, away(err)
	}
	err = each(rows, func() error {
		var name string
		var value []byte
		var at int64
		err := rows.Scan(&name, &value, &at)
		out[name], version = value, max(version, at)
		return err
	})
	return out, version, away(err)
}

// Value implements [share.States].
func (t Table) Value(ctx context.Context, slot int, name string) ([]byte, error) {
	var value []byte
	err := t.s.pool.QueryRow(ctx, `select value from cache where slot = $1 and name = $2`, slot, name).Scan(&value)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return value, away(err)
}

// Document returns a small text that all processes share, such as the accounts, with its
// version; nil and 0 if there is none.
func (s *Store) Document(name string) (body []byte, version int64, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	err = s.pool.QueryRow(ctx, `select body, version from documents where name = $1`, name).Scan(&body, &version)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, 0, nil
	}
	return body, version, away(err)
}

// ReplaceDocument stores a text in the place of the one of that version. It does nothing
// and returns false if another process has replaced that meanwhile.
func (s *Store) ReplaceDocument(name string, version int64, body []byte) (replaced bool, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	sql := `update documents set body = $2, version = version + 1 where name = $1 and version = $3`
	if version == 0 {
		sql = `insert into documents (name, body, version) values ($1, $2, $3 + 1) on conflict do nothing`
	}
	tag, err := s.pool.Exec(ctx, sql, name, notNil(body), version)
	return tag.RowsAffected() == 1, away(err)
}
