package fleet

import (
	"bytes"
	"context"
	"sync"

	"arcdrift/drift"
)

// Many reads of many machines at once what [Cache] reads of one.
type Many interface {
	// Together divides names of machines into groups that can be read at once.
	Together(names []string) [][]string
	// Values are those in the cache of the names of a group that have one.
	Values(names []string) (map[string][]byte, error)
	// Stretches is what Cache.After returns of the machines of a group, each after a link of
	// its own. Machines with a corrupt record are left out: After reports it.
	Stretches(links map[string][]byte) (map[string]Stretch, error)
}

// Stretch is what [Cache.After] returns.
type Stretch struct {
	Entries []drift.Entry
	Link    []byte
}

// ahead is a cache that has read at once what folding some machines asks of it. It is for
// one goroutine.
type ahead struct {
	Cache
	asked     map[string]bool // whose values were read
	values    map[string][]byte
	links     map[string][]byte
	stretches map[string]Stretch
}

func (a *ahead) Cached(name string) ([]byte, error) {
	if a.asked[name] {
		return a.values[name], nil
	}
	return a.Cache.Cached(name)
}

func (a *ahead) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	s, read := a.stretches[machine]
	if from := a.links[machine]; !read || (from == nil) != (link == nil) || !bytes.Equal(from, link) {
		return a.Cache.After(machine, link)
	}
	delete(a.stretches, machine) // whoever folds it changes the entries
	return s.Entries, s.Link, nil
}

// currents are the machines of the names as of now, in any order.
func (f *Fleet) currents(ctx context.Context, g *generation, names []string) ([]*member, error) {
	if f.share == nil {
		members := make([]*member, len(names))
		err := each(ctx, g.processors, names, func(i int, name string) (err error) {
			members[i], err = f.checkpoints.current(g, name)
			return err
		})
		return members, err
	}
	var mu sync.Mutex
	var members []*member
	err := each(ctx, g.processors, f.share.Together(names), func(_ int, group []string) error {
		near := *g
		var err error
		if near.cache, err = f.readAhead(g, group); err != nil {
			return err
		}
		for _, name := range group {
			if err := ctx.Err(); err != nil {
				return err
			}
			m, err := f.checkpoints.current(&near, name)
			if err != nil {
				return err
			}
			mu.Lock()
			members = append(members, m)
			mu.Unlock()
		}
		f.moves()
		return nil
	})
	return members, err
}

// readAhead reads the states and the new records of a group of machines; of those without
// a state that holds all records.
func (f *Fleet) readAhead(g *generation, group []string) (*ahead, error) {
	a := &ahead{Cache: g.cache, asked: map[string]bool{}, links: map[string][]byte{}}
	var states []string
	for _, name := range group {
		if len(g.before[name]) > 0 {
			continue // its state is not kept
		}
		a.links[name] = nil
		m := f.members.byName[name]
		if m != nil && m.populations == g.id {
			a.links[name] = m.link
		}
		if f.checkpoints.waits(name) {
			continue
		}
		a.asked[name] = true
		if m == nil || m.populations == g.id { // another state does not hold
			states = append(states, name)
		}
	}
	var err error
	if a.values, err = f.share.Values(states); err != nil {
		return nil, err
	}
	a.stretches, err = f.share.Stretches(a.links)
	return a, err
}
