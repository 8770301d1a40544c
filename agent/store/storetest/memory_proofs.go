package storetest

import (
	"time"

	"arcdrift/agent/store"
)

// Name is as [store.Store.Name].
func (m *Memory) Name() string { return "memory" }

// HeadAt is as [store.Store.HeadAt].
func (m *Memory) HeadAt(machine string, knownAt time.Time) (head store.Head, found bool, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := uint64(0)
	for i := range m.entries {
		k := &m.entries[i]
		if k.Machine != machine {
			continue
		}
		n++
		if !k.Received.After(knownAt) {
			// Nobody checks a chain in memory: the last body stands for it.
			head, found = store.Head{Machine: machine, Entries: n, Epoch: k.StoreEpoch, Seq: k.StoreSeq, Chain: k.body}, true
		}
	}
	return head, found, nil
}

// Pseudonyms is as [store.Store.Pseudonyms].
func (m *Memory) Pseudonyms() (map[string]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string]string{}
	for _, p := range m.people.all {
		if p.Name != "" {
			out[p.Name] = p.Pseudonym
		}
	}
	return out, nil
}

// Close leaves everything as it is: the next agent of the same process finds it.
func (m *Memory) Close() error { return nil }
