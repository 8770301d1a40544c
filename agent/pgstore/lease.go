package pgstore

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// Whole is the slot of what one process does for the whole fleet, beside the slots of the
// machines: learning populations, dropping old arc counts.
const Whole = -1

// Lease says that one process owns a slot until a moment. Every time a slot is
// taken or given up its fence rises. What an owner writes is checked against the fence in
// the same transaction, so a process that was paused, and wakes up after the slot was given
// up or another has taken it, cannot write as owner.
type Lease struct {
	Slot  int
	Owner string
	Fence int64
	// Left is how long it was still to last, by the database's clock, when it was read;
	// negative when it had ended.
	Left time.Duration
}

const leaseColumns = `slot, owner, fence, case when isfinite(until) then extract(epoch from until - clock_timestamp()) else -1 end`

func scanLease(row pgx.Row) (Lease, error) {
	var l Lease
	var left float64
	err := row.Scan(&l.Slot, &l.Owner, &l.Fence, &left)
	l.Left = time.Duration(left * float64(time.Second))
	return l, err
}

// Leases returns the leases of all slots, in order; nobody's has no Owner.
func (s *Store) Leases(ctx context.Context) ([]Lease, error) {
	rows, err := s.pool.Query(ctx, `select `+leaseColumns+` from lease order by slot`)
	if err != nil {
		return nil, away(err)
	}
	var out []Lease
	err = each(rows, func() error {
		l, err := scanLease(rows)
		out = append(out, l)
		return err
	})
	return out, away(err)
}

// Take takes the lease of a slot for some time, if it has no owner or its time has ended.
// owner names a process; a new process has a new name. ok is false if another process
// holds it. Taking waits for a write of the owner before.
func (s *Store) Take(ctx context.Context, slot int, owner string, lasting time.Duration) (l Lease, ok bool, err error) {
	if owner == "" {
		return l, false, errors.New("the owner of a lease needs a name")
	}
	return s.lease(ctx, `update lease set owner = $2, fence = fence + 1, until = clock_timestamp() + make_interval(secs => $3)
		where slot = $1 and (owner = '' or until <= clock_timestamp()) returning `+leaseColumns, slot, owner, lasting.Seconds())
}

// Renew makes a lease last for some time from now. ok is false if another process has
// taken it meanwhile. A lease whose time has ended can be renewed while nobody has.
func (s *Store) Renew(ctx context.Context, l Lease, lasting time.Duration) (renewed Lease, ok bool, err error) {
	return s.lease(ctx, `update lease set until = clock_timestamp() + make_interval(secs => $4)
		where slot = $1 and owner = $2 and fence = $3 returning `+leaseColumns, l.Slot, l.Owner, l.Fence, lasting.Seconds())
}

// GiveUp ends a lease, so that another process can take it at once. It does nothing if
// another has.
func (s *Store) GiveUp(ctx context.Context, l Lease) error {
	_, _, err := s.lease(ctx, `update lease set owner = '', fence = fence + 1, until = '-infinity'
		where slot = $1 and owner = $2 and fence = $3 returning `+leaseColumns, l.Slot, l.Owner, l.Fence)
	return err
}

func (s *Store) lease(ctx context.Context, sql string, args ...any) (Lease, bool, error) {
	l, err := scanLease(s.pool.QueryRow(ctx, sql, args...))
	if errors.Is(err, pgx.ErrNoRows) {
		return Lease{}, false, nil
	}
	return l, err == nil, away(err)
}

// Under returns the store for an owner: what it caches, decides and sends is written only
// while it holds the lease of the slot, and the error is [ErrFenced] otherwise. Cached
// values belong to the slot of the machine that they are named after. Decisions and the
// outbox are those of the first lease's slot. Records are taken by any process, without a
// lease.
func (s *Store) Under(first Lease, more ...Lease) *Store {
	out := *s
	out.scope = first.Slot
	out.leases = map[int]Lease{first.Slot: first}
	for _, l := range more {
		out.leases[l.Slot] = l
	}
	return &out
}

// owned runs f in a transaction that writes to one slot as its owner. Whoever takes the
// lease waits until the transaction has ended.
func (s *Store) owned(ctx context.Context, slot int, f func(pgx.Tx) error) error {
	l, held := s.leases[slot]
	if s.leases != nil && !held {
		return fmt.Errorf("%w: slot %d of slots %v", ErrFenced, slot, slices.Sorted(maps.Keys(s.leases)))
	}
	return s.inOne(ctx, func(tx pgx.Tx) error {
		if s.leases != nil {
			var is int
			err := tx.QueryRow(ctx, `select 1 from lease where slot = $1 and owner = $2 and fence = $3 for share`, slot, l.Owner, l.Fence).Scan(&is)
			if errors.Is(err, pgx.ErrNoRows) {
				return ErrFenced
			}
			if err != nil {
				return err
			}
		}
		return f(tx)
	})
}
