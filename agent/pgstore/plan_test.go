package pgstore_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
)

// Whether records are there already is looked up by their ids, also with plans that were
// made when the tables were empty: what a call costs does not grow with what is stored.
func TestIntakeLooksUpByID(t *testing.T) {
	const calls, size = 20, 512
	at := url(t)
	s := open(t, at)
	for n := range calls {
		entries := call(n, size, 100)
		_, err := s.Append(entries, nil)
		require.NoError(t, err)
		_, found, err := s.Find(entries[0].Machine, entries[0].ID)
		require.NoError(t, err)
		require.True(t, found)
	}
	require.NoError(t, s.Close()) // its connections report what they read
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, at)
	require.NoError(t, err)
	defer conn.Close(ctx)
	sum := func(sql string) (n int) {
		require.NoError(t, conn.QueryRow(ctx, sql).Scan(&n))
		return n
	}
	require.Eventually(t, func() bool {
		return sum(`select sum(n_tup_ins) from pg_stat_user_tables where relname like 'entries\_%'`) == calls*size
	}, agenttest.Patience, 100*time.Millisecond)
	assert.Less(t, sum(`select sum(idx_tup_read) from pg_stat_user_indexes where indexrelname like 'entries\_%\_slot\_epoch\_seq\_idx'`), calls*size, "entries read in the order of a slot")
}
