package pgstore

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// Forget removes a person's name from the store for good and returns the pseudonym that
// is shown in its place from now on. Records, chains and digests stay as they are, and so
// does what counts as a repeat. Refusals, decisions and the outbox lose the name where it
// is a word of its own, and their tables are rewritten. In a new record the same name is a
// new person. The database's write-ahead log, its archive and earlier backups keep the
// name until they expire. The error is a [*drift.Problem] if nobody has the name.
func (s *Store) Forget(name string) (pseudonym string, err error) {
	ctx, cancel := s.bounded()
	defer cancel()
	err = s.pool.QueryRow(ctx, `select pseudonym from people where name <> '' and name = $1`, []byte(name)).Scan(&pseudonym)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return "", s.nobody(name)
	case err != nil:
		return "", away(err)
	}
	return pseudonym, s.forget(ctx, name)
}

// nobody is the error for a name that no record has.
func (s *Store) nobody(name string) error {
	known, err := s.Pseudonyms()
	if err != nil {
		return err
	}
	var all []string
	for other := range known {
		all = append(all, other)
	}
	if near := drift.NearestOf(name, all); near != "" {
		return &drift.Problem{Reason: fmt.Sprintf("no record names %q; did you mean %q?", name, near)}
	}
	return &drift.Problem{Reason: fmt.Sprintf("no record names %q", name)}
}

// forget removes a name. The name itself goes last: if forgetting stops before, it can be
// asked for again.
func (s *Store) forget(ctx context.Context, name string) error {
	var pseudonym string
	err := s.pool.QueryRow(ctx, `select pseudonym from people where name <> '' and name = $1`, []byte(name)).Scan(&pseudonym)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil // forgotten already
	}
	if err != nil {
		return away(err)
	}
	for _, t := range []struct{ table, column, key string }{{"decisions", "state", "slot, 0"}, {"outcomes", "body", "slot, n"}, {"outbox", "body", "slot, n"}} {
		if err := s.redact(ctx, t.table, t.column, t.key, name, pseudonym); err != nil {
			return err
		}
	}
	if err := s.inOne(ctx, func(tx pgx.Tx) error { return redactRefusals(ctx, tx, name) }); err != nil {
		return err
	}
	err = s.inOne(ctx, func(tx pgx.Tx) error {
		change, err := next(ctx, tx, "people")
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `update people set name = '', change = $2 where name = $1`, []byte(name), change)
		return err
	})
	for _, table := range []string{"people", "refusals", "decisions", "outcomes", "outbox"} {
		if err == nil { // a deleted row stays in its page until then
			_, err = s.pool.Exec(ctx, `vacuum full `+table)
		}
	}
	return away(err)
}

// redact replaces a name in a column, slot by slot.
func (s *Store) redact(ctx context.Context, table, column, key, name, instead string) error {
	type value struct {
		slot, n int64
		text    []byte
	}
	rows, err := s.pool.Query(ctx, fmt.Sprintf(`select %s, %s from %s`, key, column, table))
	if err != nil {
		return away(err)
	}
	var changed []value
	err = each(rows, func() error {
		var v value
		if err := rows.Scan(&v.slot, &v.n, &v.text); err != nil {
			return err
		}
		if text := store.Redact(v.text, name, instead); string(text) != string(v.text) {
			changed = append(changed, value{v.slot, v.n, text})
		}
		return nil
	})
	which := " and n = $3"
	if table == "decisions" {
		which = " and $3 = 0::bigint"
	}
	for _, v := range changed {
		if err == nil {
			_, err = s.pool.Exec(ctx, fmt.Sprintf(`update %s set %s = $1 where slot = $2%s`, table, column, which), v.text, v.slot, v.n)
		}
	}
	return away(err)
}

// redactRefusals replaces a name in the refused list and in the marks that identify
// refusals.
func redactRefusals(ctx context.Context, tx pgx.Tx, name string) error {
	type refusal struct {
		n int64
		drift.Refusal
	}
	rows, err := tx.Query(ctx, `select n, refusal from refusals order by n for update`)
	if err != nil {
		return err
	}
	var changed []refusal
	err = each(rows, func() error {
		var r refusal
		var raw []byte
		if err := rows.Scan(&r.n, &raw); err != nil {
			return err
		}
		if json.Unmarshal(raw, &r.Refusal) != nil {
			return nil // verify reports it
		}
		if is, had := redacted(r.Refusal, name); had {
			changed = append(changed, refusal{r.n, is})
		}
		return nil
	})
	for i := range changed {
		if err != nil {
			return err
		}
		r := &changed[i]
		raw, _ := json.Marshal(r.Refusal) // it came from JSON
		if _, err = tx.Exec(ctx, `delete from refusals where mark = $2 and n <> $1`, r.n, store.RefusalMark(&r.Refusal)); err == nil {
			_, err = tx.Exec(ctx, `update refusals set mark = $2, refusal = $3 where n = $1`, r.n, store.RefusalMark(&r.Refusal), raw)
		}
	}
	return err
}
