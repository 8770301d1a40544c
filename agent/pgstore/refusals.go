package pgstore

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// refuse stores refusals, or counts those that are there already, in one transaction.
// They are few, so that they may wait for each other.
func (s *Store) refuse(ctx context.Context, refusals []drift.Refusal) error {
	return s.inOne(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into counters (name, n) values ('refused', 0) on conflict do nothing`); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `select n from counters where name = 'refused' for update`); err != nil {
			return err
		}
		for i := range refusals {
			if err := refuse(ctx, tx, &refusals[i]); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `delete from refusals where n <= (select n from counters where name = 'refused') - $1`, store.MaxRefused)
		return err
	})
}

func refuse(ctx context.Context, tx pgx.Tx, r *drift.Refusal) error {
	var n int64
	var raw []byte
	err := tx.QueryRow(ctx, `select n, refusal from refusals where mark = $1`, store.RefusalMark(r)).Scan(&n, &raw)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		if n, err = next(ctx, tx, "refused"); err != nil {
			return err
		}
		return errors.Join(putRefusal(ctx, tx, n, r), count(ctx, tx, r))
	case err != nil:
		return err
	}
	var kept drift.Refusal
	if err := json.Unmarshal(raw, &kept); err != nil {
		kept = *r // the stored one is corrupt
	} else if again(&kept, r) {
		return nil
	}
	return putRefusal(ctx, tx, n, &kept)
}

// again counts a refusal that came again, and says whether that changes nothing.
func again(kept, r *drift.Refusal) (same bool) {
	switch {
	case r.Forwarded && r.Times <= kept.Times:
		return true
	case r.Forwarded:
		kept.Times, kept.Last = r.Times, r.Last
	default:
		kept.Times, kept.Last = kept.Times+r.Times, r.Last
	}
	return false
}

// putRefusal stores a refusal as the latest change of the list.
func putRefusal(ctx context.Context, tx pgx.Tx, n int64, r *drift.Refusal) error {
	change, err := next(ctx, tx, "refusal changes")
	if err != nil {
		return err
	}
	raw, err := json.Marshal(r)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `insert into refusals (n, change, mark, machine, refusal) values ($1, $2, $3, $4, $5)
		on conflict (n) do update set change = excluded.change, mark = excluded.mark, refusal = excluded.refusal`, n, change, store.RefusalMark(r), legible(r.Machine), raw)
	return err
}

// count counts a refusal by machine, field and reason, or among the others.
func count(ctx context.Context, tx pgx.Tx, r *drift.Refusal) error {
	_, err := tx.Exec(ctx, `insert into refusal_counts as c (key, n)
		select case when exists (select from refusal_counts where key = $1) or (select count(*) from refusal_counts) < $3 then $1 else $2 end, 1
		on conflict (key) do update set n = c.n + 1`, store.RefusalCountKey(r.Machine, r.Problem.Field, r.Problem.Reason), store.RefusalCountKey("", "", "other"), store.MaxRefusalCounts)
	return err
}

// Refusals returns the refusals that are still kept, newest first, at most limit of them
// (0: all), about one machine or, with "", about all.
func (s *Store) Refusals(machine string, limit int) ([]drift.Refusal, error) {
	changed, err := s.refusals(`where $1 = '' or machine = $1 order by n desc limit $2`, machine, atMost(limit))
	var out []drift.Refusal
	for _, c := range changed {
		out = append(out, c.Refusal)
	}
	return out, err
}

// RefusalsSince returns the refusals that have changed after that change, in order of
// changing, at most limit of them.
func (s *Store) RefusalsSince(change uint64, limit int) ([]store.ChangedRefusal, error) {
	return s.refusals(`where change > $1 order by change limit $2`, change, limit)
}

func (s *Store) refusals(which string, args ...any) ([]store.ChangedRefusal, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select change, refusal from refusals `+which, args...)
	if err != nil {
		return nil, away(err)
	}
	var out []store.ChangedRefusal
	err = each(rows, func() error {
		var c store.ChangedRefusal
		var raw []byte
		if err := rows.Scan(&c.Change, &raw); err != nil {
			return err
		}
		if json.Unmarshal(raw, &c.Refusal) != nil {
			return &store.Damage{Meaning: "the list of refused records is corrupt"}
		}
		out = append(out, c)
		return nil
	})
	return out, away(err)
}

// RefusalCounts returns the counts since the store was made, largest first.
func (s *Store) RefusalCounts() ([]store.RefusalCount, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select key, n from refusal_counts order by key`)
	if err != nil {
		return nil, away(err)
	}
	var out []store.RefusalCount
	err = each(rows, func() error {
		var key []byte
		var c store.RefusalCount
		err := rows.Scan(&key, &c.Count)
		if parts := strings.SplitN(string(key), "\x00", 3); len(parts) == 3 {
			c.Machine, c.Field, c.Reason = parts[0], parts[1], parts[2]
			out = append(out, c)
		}
		return err
	})
	slices.SortStableFunc(out, func(a, b store.RefusalCount) int { return cmp.Compare(b.Count, a.Count) })
	return out, away(err)
}

// RefusedDigest is the digest of the refused list, see [store.Store.RefusedDigest].
func (s *Store) RefusedDigest() (store.Digest, error) {
	all, err := s.Refusals("", 0)
	return store.DigestOfRefusals(all), err
}

// redacted is the refusal without a name, and whether it had it.
func redacted(r drift.Refusal, name string) (drift.Refusal, bool) {
	was := r
	r.Raw = store.Redact(r.Raw, name, store.Forgotten)
	r.Problem.Value = string(store.Redact([]byte(r.Problem.Value), name, store.Forgotten))
	return r, !bytes.Equal(r.Raw, was.Raw) || r.Problem != was.Problem
}

// legible is a text as a column of type text takes it.
func legible(text string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(text, "\uFFFD"), "\x00", "\uFFFD")
}

// atMost is a limit as the database takes it: nil for none.
func atMost(limit int) *int {
	if limit == 0 {
		return nil
	}
	return &limit
}
