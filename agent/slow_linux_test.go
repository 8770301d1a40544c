package agent_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/faulttest"
	"arcdrift/agent/reach"
)

// load posts records from several clients until ctx ends, and notes which were
// acknowledged and after how long.
type load struct {
	mu    sync.Mutex
	acked map[string]bool
	waits []time.Duration
	busy  int
}

func (l *load) run(ctx context.Context, clients int, send func(ctx context.Context, id string) (status int)) *sync.WaitGroup {
	var all sync.WaitGroup
	for c := range clients {
		all.Go(func() {
			for n := 0; ctx.Err() == nil; n++ {
				id := fmt.Sprintf("%d-%d", c, n)
				began := time.Now()
				status := send(ctx, id)
				l.mu.Lock()
				switch status {
				case http.StatusCreated:
					l.acked[id] = true
					l.waits = append(l.waits, time.Since(began))
				case http.StatusServiceUnavailable:
					l.busy++
				}
				l.mu.Unlock()
			}
		})
	}
	return &all
}

// On a disk that takes its time for every flush nothing is acknowledged before
// its flush, and what is too much is turned away and not kept waiting for ever.
func TestSlowDisk(t *testing.T) {
	n := faulttest.Rounds(t, 3)
	for round := range n {
		flush := []time.Duration{100, 300, 600}[round%3] * time.Millisecond
		db := agenttest.DB(t)
		require.Zero(t, agenttest.Run(t, cli.Env{Stdin: strings.NewReader("")}, "import", "--db", db, "-").Code)
		cmd := exec.Command("strace", "-f", "-q", "-o", "/dev/null", "-e", "trace=fdatasync", "-e", fmt.Sprintf("inject=fdatasync:delay_exit=%d", flush.Microseconds()),
			"arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0")
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		require.NoError(t, cmd.Start(), "strace has to be installed")
		url := agenttest.Await(t, db)
		ctx, cancel := context.WithCancel(t.Context())
		l := &load{acked: map[string]bool{}}
		single := l.run(ctx, 16, func(ctx context.Context, id string) int {
			return agenttest.PostStatus(ctx, url, fmt.Sprintf(agenttest.Good, id))
		})
		flood := &load{acked: map[string]bool{}}
		many := flood.run(ctx, 12, func(ctx context.Context, id string) int {
			var body strings.Builder
			for n := range 1500 {
				fmt.Fprintf(&body, agenttest.Good+"\n", fmt.Sprintf("flood-%s-%d", id, n))
			}
			return agenttest.PostStatus(ctx, url, body.String())
		})
		require.Eventually(t, func() bool {
			l.mu.Lock()
			defer l.mu.Unlock()
			flood.mu.Lock()
			defer flood.mu.Unlock()
			return len(l.waits) > 30 && flood.busy+l.busy > 0
		}, 2*time.Minute, 10*time.Millisecond, "it neither takes nor turns away")
		require.NoError(t, syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL))
		_ = cmd.Wait() // it was killed, and says so
		cancel()
		single.Wait()
		many.Wait()
		require.NoError(t, os.Remove(reach.AddressFile(db)))
		slices.Sort(l.waits)
		assert.GreaterOrEqual(t, l.waits[0], flush, "an acknowledgement came before the flush ended")
		t.Logf("flush %s: %d acknowledged, median %s, p99 %s, %d turned away", flush, len(l.waits), l.waits[len(l.waits)/2], l.waits[len(l.waits)*99/100], l.busy+flood.busy)
		require.NoError(t, keptOnce(db, l.acked))
	}
	faulttest.Bound(t, "slow disks with an early acknowledgement or a record lost", n)
}

// TestSlowDiskControl: on a quick disk acknowledgements come sooner than the
// slow disk's flushes, so the test above would see one that came early.
func TestSlowDiskControl(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), nil)
	quickest := time.Hour
	for n := range 100 {
		began := time.Now()
		require.Equal(t, http.StatusCreated, agenttest.PostStatus(t.Context(), s.URL(), fmt.Sprintf(agenttest.Good, fmt.Sprint(n))))
		quickest = min(quickest, time.Since(began))
	}
	require.Less(t, quickest, 100*time.Millisecond)
}

// An agent that is asked to end in the middle of commits ends well and has what
// it acknowledged; one that is halted and let go on has lost nothing either.
func TestEndedAndHaltedUnderLoad(t *testing.T) {
	n := faulttest.Rounds(t, 5)
	for round := range n {
		db := agenttest.DB(t)
		cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0")
		said := &agenttest.Buffer{}
		cmd.Stderr = said
		require.NoError(t, cmd.Start())
		url := agenttest.Await(t, db)
		ctx, cancel := context.WithCancel(t.Context())
		l := &load{acked: map[string]bool{}}
		all := l.run(ctx, 8, func(ctx context.Context, id string) int {
			return agenttest.PostStatus(ctx, url, fmt.Sprintf(agenttest.Good, id))
		})
		acked := func() int {
			l.mu.Lock()
			defer l.mu.Unlock()
			return len(l.acked)
		}
		require.Eventually(t, func() bool { return acked() > 20*(round+1) }, time.Minute, time.Millisecond)
		if round%2 == 1 {
			require.NoError(t, cmd.Process.Signal(syscall.SIGSTOP))
			time.Sleep(time.Second)
			require.NoError(t, cmd.Process.Signal(syscall.SIGCONT))
			before := acked()
			require.Eventually(t, func() bool { return acked() > before+20 }, time.Minute, time.Millisecond, "it does not go on")
		}
		require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
		require.NoError(t, cmd.Wait(), "it ends well: %s", said)
		cancel()
		all.Wait()
		require.NoError(t, keptOnce(db, l.acked))
		assert.NoFileExists(t, reach.AddressFile(db))
	}
	faulttest.Bound(t, "agents ended or halted under load that lost a record", n)
}
