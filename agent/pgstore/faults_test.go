package pgstore_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/roadtest"
	"arcdrift/agent/share"
)

// A process that is killed while it stores records has lost none that it acknowledged.
// The control removes one that it had.
func TestAKilledProcessLosesNothing(t *testing.T) {
	at := server.Database(t, template)
	s := open(t, server.URL(at))
	var all []string
	chance := rand.New(rand.NewPCG(18, 1))
	for range 3 {
		p := start(t, "append", server.URL(at))
		other := start(t, "append", server.URL(at)) // a second process of the hub goes on
		for range 20 + chance.IntN(200) {
			all = append(all, p.next(t))
		}
		require.NoError(t, p.Process.Kill())
		for line := range p.lines {
			all = append(all, line)
		}
		for range 20 {
			all = append(all, other.next(t))
		}
		require.NoError(t, other.Process.Kill())
		for line := range other.lines {
			all = append(all, line)
		}
		_, _ = p.Wait(), other.Wait() // they were killed, and say so
	}
	// What was cut off in the pipe was not reported.
	all = whole(all)
	require.Zero(t, lost(t, s, all))
	sound(t, s)

	machine, id, _ := strings.Cut(all[len(all)/2], " ")
	e, found, err := s.Find(machine, id)
	require.NoError(t, err)
	require.True(t, found)
	require.NoError(t, server.Do(t.Context(), at, "delete from entries where machine = '"+machine+"' and seq = "+strconv.FormatUint(e.StoreSeq, 10)))
	assert.Equal(t, 1, lost(t, s, all), "the control")
}

// whole are the lines that are a machine and an id.
func whole(lines []string) []string {
	var out []string
	for _, line := range lines {
		if strings.Count(line, "-") == 3 {
			out = append(out, line)
		}
	}
	return out
}

// crash kills a server with all its processes under load, starts it again, and returns
// how many acknowledged records were lost.
func crash(t *testing.T, p *agenttest.Postgres, parameters string) int {
	require.NoError(t, p.Do(t.Context(), "postgres", "create database crash"))
	s, err := pgstore.Open(t.Context(), p.URL("crash")+parameters, time.Now, pgstore.Options{})
	require.NoError(t, err)
	defer s.Close()
	load := startLoading(t, s)
	load.until(t, 100)
	require.NoError(t, p.Kill())
	require.Eventually(t, func() bool { return load.failed.Load() > 0 }, time.Minute, time.Millisecond)
	require.NoError(t, p.Start())
	load.until(t, 20) // it connects again by itself
	all := load.end()
	assert.Equal(t, load.failed.Load(), load.away.Load(), "every error is one sentence, and typed")
	n := lost(t, s, all)
	if n == 0 {
		sound(t, s)
	}
	require.NoError(t, p.Do(t.Context(), "postgres", "drop database crash with (force)"))
	return n
}

// A server that is killed under load has lost no acknowledged record. In the control
// commits do not wait for the disk.
func TestAKilledServerLosesNothing(t *testing.T) {
	p, err := agenttest.NewPostgres("wal_writer_delay='10s'", "wal_writer_flush_after=0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Stop()) })
	require.Zero(t, crash(t, p, ""))
	require.Zero(t, crash(t, p, ""))
	assert.True(t, loses(func() int { return crash(t, p, "&synchronous_commit=off") }), "the control")
}

// The numbers by which a process listens for news outlive a server that is killed, also
// while another process stores records whose commits are not on the disk yet. Else it would
// wait for higher ones and miss those that are given again. The control reads the numbers
// without a commit of its own.
func TestNumbersHeardOutliveTheServer(t *testing.T) {
	p, err := agenttest.NewPostgres("wal_writer_delay='10s'", "wal_writer_flush_after=0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Stop()) })
	require.NoError(t, p.Do(t.Context(), "postgres", "create database heard"))
	newest := `select max(seq) from slots where slot = 3`
	take := func(listen func(*pgstore.Store) uint64) (back bool) {
		s, err := pgstore.Open(t.Context(), p.URL("heard"), time.Now, pgstore.Options{})
		require.NoError(t, err)
		defer s.Close()
		conn, err := pgx.Connect(t.Context(), p.URL("heard")+"&synchronous_commit=off")
		require.NoError(t, err)
		write := func() { _, err = conn.Exec(t.Context(), `update slots set seq = seq + 6400 where slot = 3`) }
		write()
		require.NoError(t, err)
		var writer sync.WaitGroup
		writer.Go(func() {
			for err == nil {
				write()
			}
		})
		heard := listen(s)
		require.NoError(t, p.Kill())
		writer.Wait()
		require.NoError(t, p.Start())
		conn, err = pgx.Connect(t.Context(), p.URL("heard"))
		require.NoError(t, err)
		defer func() { assert.NoError(t, conn.Close(context.WithoutCancel(t.Context()))) }()
		var is uint64
		require.NoError(t, conn.QueryRow(t.Context(), newest).Scan(&is))
		require.NotZero(t, heard)
		return is < heard
	}
	for range 3 {
		require.False(t, take(func(s *pgstore.Store) uint64 {
			picture, err := s.Table().Renew(t.Context(), share.Renewal{Process: "a", For: time.Hour})
			require.NoError(t, err)
			return picture.Newest[3].Seq
		}))
	}
	assert.True(t, loses(func() int {
		if take(func(*pgstore.Store) (seq uint64) {
			conn, err := pgx.Connect(t.Context(), p.URL("heard"))
			require.NoError(t, err)
			require.NoError(t, conn.QueryRow(t.Context(), newest).Scan(&seq))
			return seq
		}) {
			return 1
		}
		return 0
	}), "the control")
}

// loses says whether a round of up to ten loses something: what was not made durable may
// be on the disk by chance.
func loses(round func() int) bool {
	for range 10 {
		if round() > 0 {
			return true
		}
	}
	return false
}

// Connections that break anywhere, or go silent, lose nothing and store nothing twice.
func TestABrokenNetworkLosesNothing(t *testing.T) {
	at := server.Database(t, template)
	road := roadtest.New(t, "127.0.0.1:"+server.Port, 200_000, 7)
	url := strings.Replace(server.URL(at), "127.0.0.1:"+server.Port, road.Addr(), 1)
	var s *pgstore.Store
	require.Eventually(t, func() (ok bool) { // opening breaks too
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		var err error
		s, err = pgstore.Open(ctx, url, time.Now, pgstore.Options{Connections: 4, Statement: time.Second, Connect: 2 * time.Second})
		return err == nil
	}, 2*time.Minute, time.Millisecond)
	defer s.Close()
	load := startLoading(t, s)
	require.Eventually(t, func() bool { return load.failed.Load() >= 4 }, 2*time.Minute, time.Millisecond)
	road.Repair()
	load.until(t, 50)
	all := load.end()
	assert.Greater(t, road.Breaks(), 3)
	direct := open(t, server.URL(at))
	require.Zero(t, lost(t, direct, all))
	sound(t, direct)
}

// failover kills the primary under load, goes on with its standby, and returns how many
// acknowledged records were lost.
func failover(t *testing.T, synchronous bool) int {
	p, err := agenttest.NewPostgres()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Stop()) })
	standby, err := p.Standby("second")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, standby.Stop()) })
	if synchronous {
		require.NoError(t, p.Do(t.Context(), "postgres", "alter system set synchronous_standby_names = 'second'", "select pg_reload_conf()"))
	}
	both := "postgres://postgres@127.0.0.1:" + p.Port + ",127.0.0.1:" + standby.Port + "/postgres?sslmode=disable&target_session_attrs=read-write"
	s, err := pgstore.Open(t.Context(), both, time.Now, pgstore.Options{Statement: 5 * time.Second})
	require.NoError(t, err)
	defer s.Close()
	load := startLoading(t, s)
	load.until(t, 100)
	if !synchronous { // the standby is down for a moment, and nobody waits for it
		require.NoError(t, standby.Kill())
		load.until(t, 20)
	}
	require.NoError(t, p.Kill())
	if !synchronous {
		require.NoError(t, standby.Start())
	}
	require.NoError(t, standby.Promote())
	load.until(t, 20)
	all := load.end()
	n := lost(t, s, all)
	if n == 0 {
		sound(t, s)
	}
	return n
}

// When the primary is gone, a standby that it waited for has every acknowledged record,
// and the store goes on there by itself. The control does not wait for the standby.
func TestFailoverLosesNothing(t *testing.T) {
	assert.Zero(t, failover(t, true))
	assert.True(t, loses(func() int { return failover(t, false) }), "the control")
}

// A process that is paused while it owns a slot, and wakes up when another does, cannot
// write as owner. The control writes without a lease.
func TestAPausedOwnerCannotWrite(t *testing.T) {
	at := url(t)
	p := start(t, "own", at)
	require.Equal(t, "wrote", p.next(t))
	require.NoError(t, p.Process.Signal(syscall.SIGSTOP))
	s := open(t, at)
	var l pgstore.Lease
	require.Eventually(t, func() bool {
		var ok bool
		var err error
		l, ok, err = s.Take(t.Context(), s.Slot("K-1"), "awake", time.Hour)
		if errors.As(err, new(*pgstore.AwayError)) {
			return false // the paused process holds a lock until the database ends its transaction
		}
		require.NoError(t, err)
		return ok
	}, agenttest.Patience, 10*time.Millisecond)
	require.NoError(t, s.Under(l).PutCached(map[string][]byte{"K-1": []byte("the owner's")}))
	require.NoError(t, p.Process.Signal(syscall.SIGCONT))
	line := p.next(t)
	for line == "wrote" { // said before it was paused
		line = p.next(t)
	}
	assert.Contains(t, line, pgstore.ErrFenced.Error())
	value, err := s.Cached("K-1")
	require.NoError(t, err)
	assert.Equal(t, "the owner's", string(value))

	require.NoError(t, s.PutCached(map[string][]byte{"K-1": []byte("anybody's")}))
	value, err = s.Cached("K-1")
	require.NoError(t, err)
	assert.Equal(t, "anybody's", string(value), "the control")
	_ = p.Wait() // its exit code says nothing
}
