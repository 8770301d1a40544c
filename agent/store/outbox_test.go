package store_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
)

// What was decided lies in the store's own file, so it is there after the file
// was closed and in a backup, and a store made before there were decisions takes
// them.
func TestDecisionsStayInTheFile(t *testing.T) {
	path := dbPath(t)
	items := []store.OutboxItem{{Queue: "mail", Key: "a", Body: []byte("1")}, {Queue: "mail", Key: "b", Body: []byte("2")}}
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("ended")}, items))
	require.NoError(t, s.Settle("a"))
	require.NoError(t, s.Close())

	s = open(t, path)
	assert.Empty(t, s.Diagnostics(), "the checkpoint knows of records only")
	state, err := s.Decided()
	require.NoError(t, err)
	assert.Equal(t, "state", string(state))
	require.NoError(t, s.Decide([]byte("state"), nil, items))
	n, err := s.Waiting("mail")
	require.NoError(t, err)
	assert.Equal(t, 1, n, "what was settled before the restart does not come again")
	report, err := s.Verify()
	require.NoError(t, err)
	assert.Nil(t, report.First)
}

func TestSettledKeysAreForgottenInTheEnd(t *testing.T) {
	now := storetest.Received()
	s, err := store.Open(dbPath(t), func() time.Time { return now }, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	put := func(key string) (waiting int) {
		require.NoError(t, s.Decide(nil, nil, []store.OutboxItem{{Queue: "q", Key: key}}))
		n, err := s.Waiting("q")
		require.NoError(t, err)
		require.NoError(t, s.Settle(key))
		return n
	}
	require.Equal(t, 1, put("a"))
	now = now.AddDate(0, 0, 89)
	require.Equal(t, 1, put("b"))
	require.Zero(t, put("a"), "remembered for 90 days")
	now = now.AddDate(0, 0, 2)
	require.Equal(t, 1, put("c"))
	require.Equal(t, 1, put("a"), "and not for ever")
	require.Zero(t, put("b"))
}

func TestReadOnlyDecidesNothing(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	s, err = store.Open(path, storetest.Received, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.ErrorIs(t, s.Decide([]byte("x"), nil, nil), store.ErrReadOnly)
	state, err := s.Decided()
	require.NoError(t, err)
	assert.Nil(t, state)
}

// What the disk has corrupt of the decisions and of what is on its way is taken out
// at opening and told: the rest goes on, and nothing is sent for ever or never.
func TestCorruptDecisionsAreRemoved(t *testing.T) {
	flip := func(t *testing.T, path, bucket string, key []byte) {
		edit(t, path, func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucket))
			if key == nil {
				key, _ = b.Cursor().First()
			}
			v := bytes.Clone(b.Get(key))
			v[len(v)/2] ^= 1
			return b.Put(key, v)
		})
	}
	for name, c := range map[string]struct {
		bucket string
		key    []byte
		state  string
		ended  int
		mail   []string
		says   string
	}{
		"nothing":   {"", nil, "state", 2, []string{"a", "b"}, ""},
		"state":     {"decision", nil, "", 2, []string{"a", "b"}, "the last decision is made again"},
		"outcome":   {"outcomes", nil, "state", 1, []string{"a", "b"}, "outcomes of alerts lost: 1"},
		"message":   {"outbox", nil, "state", 2, []string{"b"}, "waiting messages lost: 1"},
		"its note":  {"outbox-keys", []byte("a"), "state", 2, []string{"a", "b"}, "notes of waiting messages made again: 1"},
		"sent note": {"outbox-keys", []byte("sent"), "state", 2, []string{"a", "b"}, "notes of sent messages lost: 1 (these may be sent again)"},
	} {
		t.Run(name, func(t *testing.T) {
			path := dbPath(t)
			s, err := store.Open(path, storetest.Received, store.Options{})
			require.NoError(t, err)
			mail := func(key string) store.OutboxItem { return store.OutboxItem{Queue: "mail", Key: key, Body: []byte(key)} }
			require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("1"), []byte("2")}, []store.OutboxItem{mail("sent"), mail("a"), mail("b")}))
			require.NoError(t, s.Settle("sent"))
			require.NoError(t, s.Close())
			if c.bucket != "" {
				flip(t, path, c.bucket, c.key)
			}
			s = open(t, path)
			if c.says == "" {
				require.Empty(t, s.Diagnostics())
			} else {
				require.Len(t, s.Diagnostics(), 1)
				require.Equal(t, store.FoundCorrupt, s.Diagnostics()[0].Kind)
				require.Contains(t, s.Diagnostics()[0].Text, c.says)
			}
			require.Equal(t, c.state, string(must(s.Decided())))
			require.Len(t, must(s.Outcomes()), c.ended)
			var left []string
			for {
				p, any, err := s.Oldest("mail")
				require.NoError(t, err)
				if !any {
					break
				}
				left = append(left, p.Key)
				require.LessOrEqual(t, len(left), 2, "it is sent for ever")
				require.NoError(t, s.Settle(p.Key))
			}
			require.Equal(t, c.mail, left)
			storetest.Invariants(t, s)
		})
	}
}
