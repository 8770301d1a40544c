package pgstore_test

import (
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
)

// far is the address of a database that is some milliseconds away: what goes there waits so
// long.
func far(t *testing.T, url string, wait time.Duration) string {
	t.Helper()
	to := "127.0.0.1:" + server.Port
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var open sync.WaitGroup
	carry := func(to, from net.Conn, wait time.Duration) {
		defer to.Close()
		b := make([]byte, 1<<20)
		for {
			n, err := from.Read(b)
			time.Sleep(wait)
			if _, broken := to.Write(b[:n]); err != nil || broken != nil {
				return
			}
		}
	}
	open.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			there, err := net.Dial("tcp", to)
			if err != nil {
				_ = near.Close()
				continue
			}
			open.Go(func() { carry(there, near, wait) })
			open.Go(func() { carry(near, there, 0) })
		}
	})
	t.Cleanup(func() {
		assert.NoError(t, l.Close())
		open.Wait()
	})
	return strings.Replace(url, to, l.Addr().String(), 1)
}

// A decision with very many messages needs no more round trips than one with a few. Before,
// it was two for each message: a large fleet far from its database had to decide the same
// again and again, as it took longer than one call may.
func TestManyMessagesAreOneDecision(t *testing.T) {
	s, err := pgstore.Open(t.Context(), far(t, url(t), 20*time.Millisecond), storetest.Received, pgstore.Options{Statement: 10 * time.Second})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	const many = 1000
	var items []store.OutboxItem
	var outcomes [][]byte
	for i := range many {
		items = append(items, store.OutboxItem{Queue: []string{"a", "b"}[i%2], Key: strconv.Itoa(i), Body: []byte(strconv.Itoa(i))})
		outcomes = append(outcomes, []byte(strconv.Itoa(i)))
	}
	require.NoError(t, s.Decide([]byte("1"), outcomes[:1], items[5:6]))
	require.NoError(t, s.Settle("5"))
	require.NoError(t, s.Decide([]byte("2"), outcomes[1:], append(items, items[7])))
	for queue, n := range map[string]int{"a": many / 2, "b": many/2 - 1} {
		waiting, err := s.Waiting(queue)
		require.NoError(t, err)
		assert.Equal(t, n, waiting)
	}
	for i := 1; i < 10; i += 2 {
		if i == 5 {
			continue // it was settled, and is not put again
		}
		item, found, err := s.Oldest("b")
		require.NoError(t, err)
		require.True(t, found)
		assert.Equal(t, items[i], item)
		require.NoError(t, s.Settle(item.Key))
	}
	got, err := s.Outcomes()
	require.NoError(t, err)
	assert.Equal(t, outcomes, got)
}
