package storetest

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Durable is a store that outlasts its process.
type Durable interface {
	Store
	Close() error
}

// RunDurable tests what has to be there after a restart. open opens the same store
// again each time; the suite closes it.
func RunDurable(t *testing.T, open func() Durable) {
	again := func(use func(s Durable)) {
		s := open()
		use(s)
		Invariants(t, s)
		require.NoError(t, s.Close())
	}
	cursor := store.Cursor{Epoch: 1, Seq: 1, Refusal: 1, People: 1}
	const pseudonym = drift.PseudonymPrefix + "abcdefghij234567"
	var before drift.Entry
	again(func(s Durable) {
		_, err := s.Append([]drift.Entry{by("Ada Ruiz", 1), Calibration("K-08", 1)}, []drift.Refusal{refused("K-07", "one")})
		require.NoError(t, err)
		require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("outcome")}, []store.OutboxItem{item("mail", "a"), item("mail", "b")}))
		require.NoError(t, s.Settle("a"))
		require.NoError(t, s.SetCursor("hub", cursor))
		require.NoError(t, s.Learn([]wire.Person{{Pseudonym: pseudonym, Name: "Jo Lund"}}))
		h, err := s.History("K-07")
		require.NoError(t, err)
		before = h[0]
	})
	again(func(s Durable) {
		h, err := s.History("K-07")
		require.NoError(t, err)
		assert.Equal(t, []drift.Entry{before}, h)
		refusals, err := s.Refusals("", 0)
		require.NoError(t, err)
		assert.Len(t, refusals, 1)
		state, err := s.Decided()
		require.NoError(t, err)
		assert.Equal(t, "state", string(state))
		outcomes, err := s.Outcomes()
		require.NoError(t, err)
		assert.Equal(t, [][]byte{[]byte("outcome")}, outcomes)
		at, err := s.Cursor("hub")
		require.NoError(t, err)
		assert.Equal(t, cursor, at)
		people, err := s.PeopleSince(0, 10)
		require.NoError(t, err)
		require.Len(t, people, 2)
		assert.Equal(t, wire.Person{Pseudonym: pseudonym, Name: "Jo Lund"}, people[1].Person)
		counters, err := s.Counters()
		require.NoError(t, err)
		assert.Equal(t, drift.Some(int64(1)), counters["K-07"].Arcs)

		placed := keep(t, s, by("Ada Ruiz", 1), by("Ada Ruiz", 2))
		assert.True(t, placed[0].Duplicate)
		assert.Equal(t, before.StoreSeq, placed[0].Seq)
		assert.GreaterOrEqual(t, placed[1].Epoch, before.StoreEpoch)
		assert.Greater(t, placed[1].Seq, before.StoreSeq, "the numbers go on")
		require.NoError(t, s.Decide([]byte("state"), nil, []store.OutboxItem{item("mail", "a")}))
		assert.Equal(t, []string{"b"}, queued(t, s, "mail"), "what was settled is not sent again")
	})
}
