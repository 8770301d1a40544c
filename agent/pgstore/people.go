package pgstore

import (
	"context"
	"crypto/rand"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// roster is what one call knows of people. It is read from the database at each call: a
// process that remembered names would know a person whom another process has forgotten.
type roster struct {
	store.Roster

	mu    sync.Mutex // the slots of one Append look up at once
	err   error      // of a name without a pseudonym
	known map[string]person
	names map[string]string // name → pseudonym
}

type person struct{ first, name string }

func newRoster() *roster {
	r := &roster{known: map[string]person{}, names: map[string]string{}}
	r.Lookup = func(pseudonym string) (first, name string, known bool) {
		r.mu.Lock()
		defer r.mu.Unlock()
		is, known := r.known[pseudonym]
		return is.first, is.name, known
	}
	return r
}

// pseudonym is what is stored in the place of a name. A pseudonym is stored as it is.
func (r *roster) pseudonym(name string) string {
	if name == "" || drift.IsPseudonym(name) {
		return name
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	is := r.names[name]
	if is == "" {
		r.err = errors.New("a name has no pseudonym")
	}
	return is
}

// failed is why a record cannot be stored, or nil.
func (r *roster) failed() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// querier is a pool, a connection or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// know reads who these people are: pseudonyms, and names.
func (r *roster) know(ctx context.Context, q querier, people []string) error {
	var pseudonyms []string
	names := [][]byte{}
	r.mu.Lock()
	for _, p := range people {
		_, known := r.known[p]
		switch {
		case p == "" || known || r.names[p] != "":
		case drift.IsPseudonym(p):
			pseudonyms = append(pseudonyms, p)
		default:
			names = append(names, []byte(p))
		}
	}
	r.mu.Unlock()
	for len(pseudonyms)+len(names) > 0 {
		rows, err := q.Query(ctx, `select pseudonym, first, name from people where pseudonym = any($1) or name <> '' and name = any($2)`, pseudonyms, names)
		if err != nil {
			return err
		}
		var more []string
		err = each(rows, func() error {
			var pseudonym, first string
			var name []byte
			err := rows.Scan(&pseudonym, &first, &name)
			r.mu.Lock()
			defer r.mu.Unlock()
			r.known[pseudonym] = person{first, string(name)}
			if len(name) > 0 {
				r.names[string(name)] = pseudonym
			}
			if _, known := r.known[first]; !known {
				more = append(more, first)
			}
			return err
		})
		if err != nil {
			return err
		}
		pseudonyms, names = more, names[:0]
	}
	return nil
}

// enrol reads the people of the entries, and gives pseudonyms to those who have none.
func (s *Store) enrol(ctx context.Context, ready []store.Prepared) (*roster, error) {
	r := newRoster()
	all := map[string]bool{}
	for i := range ready {
		for _, name := range ready[i].People() {
			all[name] = true
		}
	}
	if len(all) == 0 {
		return r, nil
	}
	people := slices.Sorted(maps.Keys(all))
	if err := r.know(ctx, s.pool, people); err != nil {
		return r, err
	}
	people = slices.DeleteFunc(people, func(p string) bool { return p == "" || drift.IsPseudonym(p) || r.names[p] != "" })
	if len(people) == 0 {
		return r, nil
	}
	slices.SortFunc(people, inOrderOf(ready))
	err := s.inOne(ctx, func(tx pgx.Tx) error {
		for _, name := range people {
			if err := learn(ctx, tx, drift.PseudonymPrefix+strings.ToLower(rand.Text()[:16]), name); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return r, err
	}
	return r, r.know(ctx, s.pool, people)
}

// inOrderOf compares names by where they come first in the entries.
func inOrderOf(ready []store.Prepared) func(a, b string) int {
	at := map[string]int{}
	n := 0
	for i := range ready {
		for _, name := range ready[i].People() {
			if _, met := at[name]; !met {
				at[name] = n
				n++
			}
		}
	}
	return func(a, b string) int { return at[a] - at[b] }
}

// next returns the next number of a counter. Its row is locked until the transaction
// ends, so that numbers are seen in their order.
func next(ctx context.Context, tx pgx.Tx, counter string) (n int64, err error) {
	err = tx.QueryRow(ctx, `insert into counters (name, n) values ($1, 1) on conflict (name) do update set n = counters.n + 1 returning n`, counter).Scan(&n)
	return n, err
}

// learn keeps a pseudonym with its name. Once it is known nothing changes it but
// forgetting. If the name has another pseudonym, that stands for both.
func learn(ctx context.Context, tx pgx.Tx, pseudonym, name string) error {
	change, err := next(ctx, tx, "people") // first: it makes others wait who learn the same name
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `insert into people (pseudonym, first, name, change)
		select $1, coalesce(other.pseudonym, $1), case when other.pseudonym is null then $2 else '' end, $3
		from (select (select pseudonym from people where name <> '' and name = $2) as pseudonym) other
		on conflict (pseudonym) do nothing`, pseudonym, []byte(name), change)
	return err
}

// PeopleSince returns the people that have changed after that change, in order of
// changing, at most limit of them. Forgotten people have no name.
func (s *Store) PeopleSince(change uint64, limit int) ([]store.Person, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select p.pseudonym, coalesce(f.name, p.name), p.change from people p
		left join people f on f.pseudonym = p.first and p.first <> p.pseudonym
		where p.change > $1 order by p.change limit $2`, change, limit)
	if err != nil {
		return nil, away(err)
	}
	var out []store.Person
	err = each(rows, func() error {
		var p store.Person
		var name []byte
		err := rows.Scan(&p.Pseudonym, &name, &p.Change)
		p.Name = string(name)
		out = append(out, p)
		return err
	})
	return out, away(err)
}

// Pseudonyms are the names of people that are known, with the pseudonym that stands for
// each in the records.
func (s *Store) Pseudonyms() (map[string]string, error) {
	ctx, cancel := s.bounded()
	defer cancel()
	rows, err := s.pool.Query(ctx, `select name, pseudonym from people where name <> ''`)
	if err != nil {
		return nil, away(err)
	}
	out := map[string]string{}
	err = each(rows, func() error {
		var name []byte
		var pseudonym string
		err := rows.Scan(&name, &pseudonym)
		out[string(name)] = pseudonym
		return err
	})
	return out, away(err)
}

// Learn stores what a forwarding agent reports of the pseudonyms in its records: their
// names, and whom it has forgotten. Those are then forgotten here too.
func (s *Store) Learn(reported []wire.Person) error {
	ctx, cancel := s.bounded()
	defer cancel()
	var gone []string
	err := s.inOne(ctx, func(tx pgx.Tx) error {
		gone = nil
		for _, one := range reported {
			if one.Name != "" {
				if err := learn(ctx, tx, one.Pseudonym, one.Name); err != nil {
					return err
				}
				continue
			}
			r := newRoster()
			if err := r.know(ctx, tx, []string{one.Pseudonym}); err != nil {
				return err
			}
			if _, name := r.First(one.Pseudonym); name != "" {
				gone = append(gone, name)
			}
			change, err := next(ctx, tx, "people")
			if err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `insert into people (pseudonym, first, name, change) values ($1, $1, '', $2) on conflict do nothing`, one.Pseudonym, change); err != nil {
				return err
			}
		}
		return nil
	})
	for _, name := range gone {
		if err == nil {
			err = s.forget(ctx, name)
		}
	}
	return err
}
