package storetest

import (
	"bytes"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
)

// decisions is the part of Memory that keeps them.
type decisions struct {
	state    []byte
	outcomes [][]byte
	waiting  []store.OutboxItem
	put      map[string]bool
}

// Decide is as [store.Store.Decide].
func (m *Memory) Decide(state []byte, outcomes [][]byte, items []store.OutboxItem) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.Fail != nil {
		return m.Fail
	}
	m.decided.state = bytes.Clone(state)
	m.decided.outcomes = append(m.decided.outcomes, outcomes...)
	for _, p := range items {
		if m.decided.put == nil {
			m.decided.put = map[string]bool{}
		}
		if !m.decided.put[p.Key] {
			m.decided.put[p.Key] = true
			m.decided.waiting = append(m.decided.waiting, p)
		}
	}
	return nil
}

// Decided is as [store.Store.Decided].
func (m *Memory) Decided() ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.decided.state, nil
}

// Outcomes is as [store.Store.Outcomes].
func (m *Memory) Outcomes() ([][]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.decided.outcomes), nil
}

// queue is what waits in one queue, in order.
func (m *Memory) queue(name string) []store.OutboxItem {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []store.OutboxItem
	for _, p := range m.decided.waiting {
		if p.Queue == name {
			out = append(out, p)
		}
	}
	return out
}

// Oldest is as [store.Store.Oldest].
func (m *Memory) Oldest(queue string) (store.OutboxItem, bool, error) {
	if waiting := m.queue(queue); len(waiting) > 0 {
		return waiting[0], true, nil
	}
	return store.OutboxItem{}, false, nil
}

// Waiting is as [store.Store.Waiting].
func (m *Memory) Waiting(queue string) (int, error) { return len(m.queue(queue)), nil }

// Replace is as [store.Store.Replace].
func (m *Memory) Replace(p store.OutboxItem) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.decided.waiting {
		if m.decided.waiting[i].Key == p.Key {
			m.decided.waiting[i].Body = bytes.Clone(p.Body)
		}
	}
	return nil
}

// Settle is as [store.Store.Settle]; the key is remembered for ever.
func (m *Memory) Settle(key string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.decided.waiting = slices.DeleteFunc(m.decided.waiting, func(p store.OutboxItem) bool { return p.Key == key })
	return nil
}

func item(queue, key string) store.OutboxItem {
	return store.OutboxItem{Queue: queue, Key: key, Body: []byte("body of " + key)}
}

// queued lists the keys of a queue by emptying it.
func queued(t *testing.T, s Store, queue string) []string {
	t.Helper()
	var keys []string
	for {
		n, err := s.Waiting(queue)
		require.NoError(t, err)
		p, any, err := s.Oldest(queue)
		require.NoError(t, err)
		require.Equal(t, n > 0, any)
		if !any {
			return keys
		}
		require.Equal(t, queue, p.Queue)
		keys = append(keys, p.Key)
		require.NoError(t, s.Settle(p.Key))
	}
}

func decisionsAreKept(t *testing.T, s Store) {
	state, err := s.Decided()
	require.NoError(t, err)
	require.Nil(t, state, "nothing was decided yet")
	outcomes, err := s.Outcomes()
	require.NoError(t, err)
	require.Empty(t, outcomes)

	require.NoError(t, s.Decide([]byte("one"), [][]byte{[]byte("a"), []byte("b")}, nil))
	require.NoError(t, s.Decide([]byte("two"), [][]byte{[]byte("c")}, nil))
	state, err = s.Decided()
	require.NoError(t, err)
	assert.Equal(t, "two", string(state))
	outcomes, err = s.Outcomes()
	require.NoError(t, err)
	assert.Equal(t, [][]byte{[]byte("a"), []byte("b"), []byte("c")}, outcomes)
}

func itemsLeaveInOrder(t *testing.T, s Store) {
	assert.Empty(t, queued(t, s, "mail"), "an empty queue")
	// mail and mail2: one queue must not read into the other.
	var all []store.OutboxItem
	for n := range 12 {
		all = append(all, item("mail2", fmt.Sprintf("second-%d", n)), item("mail", fmt.Sprint(20-n)))
	}
	require.NoError(t, s.Decide([]byte("x"), nil, all))
	assert.Equal(t, []string{"20", "19", "18", "17", "16", "15", "14", "13", "12", "11", "10", "9"}, queued(t, s, "mail"), "as they were put")
	assert.Len(t, queued(t, s, "mail2"), 12)
}

func anItemIsPutOnce(t *testing.T, s Store) {
	again := func() {
		other := item("mail", "k")
		other.Body = []byte("another body")
		require.NoError(t, s.Decide([]byte("x"), nil, []store.OutboxItem{other, other}))
	}
	require.NoError(t, s.Decide([]byte("x"), nil, []store.OutboxItem{item("mail", "k"), item("mail", "k")}))
	again()
	p, any, err := s.Oldest("mail")
	require.NoError(t, err)
	require.True(t, any)
	assert.Equal(t, item("mail", "k"), p, "the first one stays as it is")
	assert.Equal(t, []string{"k"}, queued(t, s, "mail"))
	again()
	assert.Empty(t, queued(t, s, "mail"), "what was settled does not come again")
	require.NoError(t, s.Settle("k"), "nor does settling it again do harm")
	require.NoError(t, s.Settle("never put"))
	require.NoError(t, s.Decide([]byte("x"), nil, []store.OutboxItem{item("mail", "never put")}))
	assert.Equal(t, []string{"never put"}, queued(t, s, "mail"), "settling what is not there does not stop it later")
}

func anItemIsReplacedInItsPlace(t *testing.T, s Store) {
	require.NoError(t, s.Decide([]byte("x"), nil, []store.OutboxItem{item("mail", "a"), item("mail", "b")}))
	changed := store.OutboxItem{Queue: "mail", Key: "a", Body: []byte("tried once")}
	require.NoError(t, s.Replace(changed))
	p, _, err := s.Oldest("mail")
	require.NoError(t, err)
	assert.Equal(t, changed, p)
	assert.Equal(t, []string{"a", "b"}, queued(t, s, "mail"))
	require.NoError(t, s.Replace(changed))
	assert.Empty(t, queued(t, s, "mail"), "what is settled stays so")
}
