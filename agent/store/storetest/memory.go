package storetest

import (
	"slices"
	"sync"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// Memory is a store that lasts as long as its process: for tests of whatever
// stands on a store. The zero value is ready. It passes the same suite as the
// real one.
type Memory struct {
	// Fail, when set, is what Append returns instead of keeping anything.
	Fail error

	mu       sync.Mutex
	entries  []kept
	ids      map[string][]int
	refusals []store.ChangedRefusal
	refused  uint64 // how often the list has changed
	decided  decisions
	people   people
	cursors  map[string]store.Cursor
	cached   map[string][]byte
}

// kept is an entry with pseudonyms in the place of names.
type kept struct {
	drift.Entry
	body     string // its identity, which no name is part of
	conflict bool
}

// Append is as [store.Store.Append].
func (m *Memory) Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.Fail != nil {
		return nil, m.Fail
	}
	placed := make([]drift.Placement, len(entries))
	for i, e := range entries {
		placed[i] = m.keep(e)
	}
	for _, r := range refusals {
		m.refuse(r)
	}
	return placed, nil
}

func (m *Memory) keep(e drift.Entry) drift.Placement {
	body, conflict := e.Identity(), false
	for _, i := range m.ids[e.ID] {
		k := &m.entries[i]
		if k.Machine != e.Machine {
			continue // an id names a record of one machine
		}
		if k.body == body && slices.EqualFunc(k.People(), e.People(), m.people.same) {
			return drift.Placement{Epoch: k.StoreEpoch, Seq: k.StoreSeq, Duplicate: true, Conflict: k.conflict}
		}
		conflict = true
	}
	e.StoreEpoch, e.StoreSeq = 1, uint64(len(m.entries)+1)
	if m.ids == nil {
		m.ids = map[string][]int{}
	}
	m.ids[e.ID] = append(m.ids[e.ID], len(m.entries))
	e.Record = e.WithPeople(m.people.pseudonym)
	m.entries = append(m.entries, kept{e, body, conflict})
	return drift.Placement{Epoch: e.StoreEpoch, Seq: e.StoreSeq, Conflict: conflict}
}

func (m *Memory) refuse(r drift.Refusal) {
	for i := range m.refusals {
		old := &m.refusals[i]
		if old.Machine == r.Machine && old.Via == r.Via && old.Size == r.Size && old.Problem.Field == r.Problem.Field &&
			old.Problem.Reason == r.Problem.Reason && slices.Equal(old.Raw, r.Raw) {
			switch {
			case !r.Forwarded:
				old.Times, old.Last = old.Times+r.Times, r.Last
			case r.Times > old.Times:
				old.Times, old.Last = r.Times, r.Last
			default:
				return
			}
			m.refused++
			old.Change = m.refused
			return
		}
	}
	m.refused++
	m.refusals = append(m.refusals, store.ChangedRefusal{Refusal: r, Change: m.refused})
}

// Counters is as [store.Store.Counters].
func (m *Memory) Counters() (map[string]drift.Counter, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string]drift.Counter{}
	for _, k := range m.entries {
		if c := out[k.Machine]; k.conflict {
			out[k.Machine] = c
		} else {
			out[k.Machine] = c.Next(&k.Entry)
		}
	}
	return out, nil
}

// pick returns the entries that f picks, with the names of people.
func (m *Memory) pick(f func(*kept) bool) []drift.Entry {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := m.hidden(f)
	for i := range out {
		out[i].Record = out[i].WithPeople(m.people.shown)
	}
	return out
}

// hidden returns the entries that f picks, with the pseudonyms.
func (m *Memory) hidden(f func(*kept) bool) []drift.Entry {
	var out []drift.Entry
	for i := range m.entries {
		if f(&m.entries[i]) {
			out = append(out, m.entries[i].Entry)
		}
	}
	return out
}

// Machines is as [store.Store.Machines].
func (m *Memory) Machines() ([]string, error) {
	var out []string
	for _, e := range m.pick(func(k *kept) bool { return k.Machine != "" }) {
		out = append(out, e.Machine)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// History is as [store.Store.History].
func (m *Memory) History(machine string) ([]drift.Entry, error) {
	return m.pick(func(k *kept) bool { return k.Machine == machine && !k.conflict }), nil
}

// Setups is as [store.Store.Setups].
func (m *Memory) Setups() ([]drift.Entry, error) {
	return m.pick(func(k *kept) bool { return k.Type == drift.TypeSetup && !k.conflict }), nil
}

// Conflicts is as [store.Store.Conflicts].
func (m *Memory) Conflicts() ([]drift.Entry, error) {
	return m.pick(func(k *kept) bool { return k.conflict }), nil
}

// Latest is as [store.Store.Latest].
func (m *Memory) Latest(machine string, n int) ([]drift.Entry, error) {
	all, err := m.History(machine)
	return all[max(0, len(all)-n):], err
}

// Since is as [store.Store.Since].
func (m *Memory) Since(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	return atMost(limit, m.pick(after(epoch, seq))), nil
}

// after picks the entries after one.
func after(epoch, seq uint64) func(*kept) bool {
	return func(k *kept) bool { return k.StoreEpoch > epoch || k.StoreEpoch == epoch && k.StoreSeq > seq }
}

func atMost(limit int, entries []drift.Entry) []drift.Entry {
	if limit > 0 && len(entries) > limit {
		return entries[:limit]
	}
	return entries
}

// Find is as [store.Store.Find].
func (m *Memory) Find(machine, id string) (drift.Entry, bool, error) {
	if found := m.pick(func(k *kept) bool { return k.Machine == machine && k.ID == id }); len(found) > 0 {
		return found[0], true, nil
	}
	return drift.Entry{}, false, nil
}

// Refusals is as [store.Store.Refusals].
func (m *Memory) Refusals(machine string, limit int) ([]drift.Refusal, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []drift.Refusal
	for _, r := range slices.Backward(m.refusals) {
		if (machine == "" || r.Machine == machine) && (limit == 0 || len(out) < limit) {
			out = append(out, r.Refusal)
		}
	}
	return out, nil
}

// RefusalCounts is as [store.Store.RefusalCounts].
func (m *Memory) RefusalCounts() ([]store.RefusalCount, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []store.RefusalCount
	for _, r := range m.refusals {
		at := slices.IndexFunc(out, func(c store.RefusalCount) bool {
			return c.Machine == r.Machine && c.Field == r.Problem.Field && c.Reason == r.Problem.Reason
		})
		if at < 0 {
			at = len(out)
			out = append(out, store.RefusalCount{Machine: r.Machine, Field: r.Problem.Field, Reason: r.Problem.Reason})
		}
		out[at].Count++
	}
	slices.SortStableFunc(out, func(a, b store.RefusalCount) int { return int(b.Count) - int(a.Count) })
	return out, nil
}

// Stats is as [store.Store.Stats].
func (m *Memory) Stats() (store.Stats, error) {
	names, err := m.Machines()
	conflicts, _ := m.Conflicts()
	m.mu.Lock()
	defer m.mu.Unlock()
	n := uint64(len(m.entries))
	return store.Stats{Epoch: min(n, 1), Seq: n, Entries: n, Machines: len(names), Conflicts: uint64(len(conflicts)), Refused: uint64(len(m.refusals))}, err
}
