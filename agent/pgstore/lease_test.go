package pgstore_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func TestALeaseHasOneOwner(t *testing.T) {
	at := url(t)
	a, b := open(t, at), open(t, at)
	ctx := t.Context()
	free, err := a.Leases(ctx)
	require.NoError(t, err)
	require.Len(t, free, a.Slots()+1, "every slot, and the whole fleet's")
	assert.Equal(t, pgstore.Whole, free[0].Slot)

	first, ok, err := a.Take(ctx, 3, "a", time.Hour)
	require.NoError(t, err)
	require.True(t, ok)
	assert.Positive(t, first.Left)
	_, ok, err = b.Take(ctx, 3, "b", time.Hour)
	require.NoError(t, err)
	assert.False(t, ok)
	_, ok, err = b.Take(ctx, 3, "a", time.Hour)
	require.NoError(t, err)
	assert.False(t, ok, "nor can another of that name")
	longer, ok, err := a.Renew(ctx, first, 2*time.Hour)
	require.NoError(t, err)
	require.True(t, ok)
	assert.Greater(t, longer.Left, time.Hour)
	assert.Equal(t, first.Fence, longer.Fence)

	require.NoError(t, a.GiveUp(ctx, longer))
	second, ok, err := b.Take(ctx, 3, "b", time.Hour)
	require.NoError(t, err)
	require.True(t, ok)
	assert.Greater(t, second.Fence, first.Fence)
	_, ok, err = a.Renew(ctx, first, time.Hour)
	require.NoError(t, err)
	assert.False(t, ok)
	require.NoError(t, a.GiveUp(ctx, first))
	all, err := a.Leases(ctx)
	require.NoError(t, err)
	assert.Equal(t, "b", all[4].Owner, "giving up what another holds changes nothing")
}

// Everything that an owner writes is fenced, and only that.
func TestWritesOfAnOwnerAreFenced(t *testing.T) {
	at := url(t)
	a, b := open(t, at), open(t, at)
	ctx := t.Context()
	old, _, err := a.Take(ctx, pgstore.Whole, "a", time.Hour)
	require.NoError(t, err)
	before := a.Under(old)
	item := store.OutboxItem{Queue: "mail", Key: "k", Body: []byte("body")}
	require.NoError(t, before.Decide([]byte("a's"), [][]byte{[]byte("one")}, []store.OutboxItem{item}))
	require.NoError(t, before.PutCached(map[string][]byte{"@populations": []byte("a's")}))
	require.ErrorIs(t, before.PutCached(map[string][]byte{"K-1": []byte("x")}), pgstore.ErrFenced, "a machine of a slot that it does not own")
	require.NoError(t, a.GiveUp(ctx, old))
	now, ok, err := b.Take(ctx, pgstore.Whole, "b", time.Hour)
	require.NoError(t, err)
	require.True(t, ok)

	require.ErrorIs(t, before.Decide([]byte("late"), [][]byte{[]byte("two")}, nil), pgstore.ErrFenced)
	require.ErrorIs(t, before.Settle("k"), pgstore.ErrFenced)
	require.ErrorIs(t, before.Replace(store.OutboxItem{Key: "k"}), pgstore.ErrFenced)
	require.ErrorIs(t, before.PutCached(map[string][]byte{"@populations": []byte("late")}), pgstore.ErrFenced)
	_, err = before.Append([]drift.Entry{storetest.Calibration("K-1", 1)}, nil)
	require.NoError(t, err, "records are taken by any process")

	after := b.Under(now)
	state, err := after.Decided()
	require.NoError(t, err)
	assert.Equal(t, "a's", string(state))
	outcomes, err := after.Outcomes()
	require.NoError(t, err)
	assert.Len(t, outcomes, 1)
	oldest, found, err := after.Oldest("mail")
	require.NoError(t, err)
	assert.True(t, found)
	assert.Equal(t, item, oldest)
	require.NoError(t, after.Settle("k"))
}

// A process that has given a slot up publishes nothing there, also while nobody has taken
// it. It may have been paused between looking at its lease and writing.
func TestNothingIsPublishedInASlotThatWasGivenUp(t *testing.T) {
	s := open(t, url(t))
	ctx, table := t.Context(), s.Table()
	take := func(r share.Renewal) int64 {
		r.Process, r.For = "a", time.Hour
		p, err := table.Renew(ctx, r)
		require.NoError(t, err)
		for _, l := range p.Leases {
			if l.Slot == 3 {
				return l.Fence
			}
		}
		return 0
	}
	old := take(share.Renewal{Take: []int{3}})
	require.NoError(t, table.Publish(ctx, 3, old, map[string][]byte{"K": []byte("before")}))
	require.Zero(t, take(share.Renewal{Leave: []int{3}}))
	require.ErrorIs(t, table.Publish(ctx, 3, old, map[string][]byte{"K": []byte("late")}), share.ErrFenced)
	now := take(share.Renewal{Take: []int{3}})
	require.Greater(t, now, old)
	require.ErrorIs(t, table.Publish(ctx, 3, old, map[string][]byte{"K": []byte("late")}), share.ErrFenced)
	value, err := table.Value(ctx, 3, "K")
	require.NoError(t, err)
	assert.Equal(t, "before", string(value))
	require.NoError(t, table.Publish(ctx, 3, now, map[string][]byte{"K": []byte("after")}))
}

// Slots keep their decisions and queues apart.
func TestSlotsAreApart(t *testing.T) {
	s := open(t, url(t))
	var of [2]*pgstore.Store
	for slot := range of {
		l, ok, err := s.Take(t.Context(), slot, "a", time.Hour)
		require.NoError(t, err)
		require.True(t, ok)
		of[slot] = s.Under(l)
	}
	require.NoError(t, of[0].Decide([]byte("zero"), nil, []store.OutboxItem{{Queue: "mail", Key: "k", Body: []byte("zero")}}))
	require.NoError(t, of[1].Decide([]byte("one"), nil, []store.OutboxItem{{Queue: "mail", Key: "k", Body: []byte("one")}}))
	require.NoError(t, of[0].Settle("k"))
	waiting, found, err := of[1].Oldest("mail")
	require.NoError(t, err)
	assert.True(t, found)
	assert.Equal(t, "one", string(waiting.Body))
}

// Whoever takes a lease waits for a write that the owner has begun.
func TestTakingWaitsForAWrite(t *testing.T) {
	name := server.Database(t, template)
	s := open(t, server.URL(name))
	ctx := t.Context()
	l, _, err := s.Take(ctx, 5, "a", time.Millisecond)
	require.NoError(t, err)
	conn, err := pgx.Connect(ctx, server.URL(name))
	require.NoError(t, err)
	defer conn.Close(ctx)
	tx, err := conn.Begin(ctx) // an owner's write that has checked the fence and not ended
	require.NoError(t, err)
	_, err = tx.Exec(ctx, `select 1 from lease where slot = 5 and fence = $1 for share`, l.Fence)
	require.NoError(t, err)
	_, err = tx.Exec(ctx, `insert into cache (slot, name, value) values (5, 'x', 'y')`)
	require.NoError(t, err)

	taken := make(chan bool)
	go func() {
		_, ok, err := s.Take(ctx, 5, "b", time.Hour)
		taken <- assert.NoError(t, err) && ok
	}()
	require.Eventually(t, func() bool {
		var waits bool
		require.NoError(t, conn.QueryRow(ctx, `select exists (select from pg_locks where not granted)`).Scan(&waits))
		return waits
	}, time.Minute, time.Millisecond)
	require.NoError(t, tx.Commit(ctx))
	assert.True(t, <-taken)
}

// The database's clock decides how long a lease lasts, whatever the process's clock says.
func TestTheDatabasesClockDecides(t *testing.T) {
	at := url(t)
	wrong, err := pgstore.Open(t.Context(), at, func() time.Time { return time.Unix(0, 0) }, pgstore.Options{})
	require.NoError(t, err)
	defer wrong.Close()
	_, ok, err := wrong.Take(t.Context(), 1, "wrong", time.Hour)
	require.NoError(t, err)
	require.True(t, ok)
	_, ok, err = open(t, at).Take(t.Context(), 1, "right", time.Hour)
	require.NoError(t, err)
	assert.False(t, ok)
}
