package pgstore_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// A record that is there already may not be on the disk yet, as whoever brought it first
// still waits. It is when a repeat of it is acknowledged.
func TestARepeatIsDurable(t *testing.T) {
	p, err := agenttest.NewPostgres("wal_writer_delay='10s'", "wal_writer_flush_after=0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Stop()) })
	ctx := t.Context()
	first, err := pgstore.Open(ctx, p.URL("postgres"), time.Now, pgstore.Options{})
	require.NoError(t, err)
	defer first.Close()
	second, err := pgstore.Open(ctx, p.URL("postgres"), time.Now, pgstore.Options{})
	require.NoError(t, err)
	defer second.Close()

	var entries []drift.Entry
	for n := range 8 {
		entries = append(entries, storetest.Calibration(fmt.Sprintf("K-%d", n), n))
	}
	block, err := pgx.Connect(ctx, p.URL("postgres"))
	require.NoError(t, err)
	defer block.Close(context.WithoutCancel(ctx)) // the server will be gone
	for _, sql := range []string{"begin", fmt.Sprintf("select 1 from slots where slot = %d for update", first.Slot("K-0"))} {
		_, err := block.Exec(ctx, sql)
		require.NoError(t, err)
	}
	waits := make(chan error)
	go func() {
		_, err := first.Append(entries, nil)
		waits <- err
	}()
	var there drift.Entry
	require.Eventually(t, func() bool {
		for _, e := range entries {
			if h, err := second.History(e.Machine); err == nil && len(h) == 1 {
				there = e
				return true
			}
		}
		return false
	}, agenttest.Patience, time.Millisecond)

	placed, err := second.Append([]drift.Entry{there}, nil)
	require.NoError(t, err)
	require.True(t, placed[0].Duplicate)
	require.NoError(t, p.Kill())
	require.Error(t, <-waits, "nothing of it was acknowledged")
	require.NoError(t, p.Start())
	require.Eventually(t, func() bool {
		h, err := second.History(there.Machine)
		return err == nil && len(h) == 1
	}, agenttest.Patience, 10*time.Millisecond)
}
