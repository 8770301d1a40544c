package pgstore_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store/storetest"
)

// child is what this binary does in a process of its own that a test kills or pauses.
func child(what, url string) int {
	ctx := context.Background()
	s, err := pgstore.Open(ctx, url, time.Now, pgstore.Options{})
	if err == nil && what == "append" {
		err = load(ctx, s, strconv.Itoa(os.Getpid()), func(id string) { fmt.Println(id) })
	}
	if err == nil && what == "own" {
		err = own(ctx, s)
	}
	fmt.Println("failed:", err)
	return 1
}

// load stores records of a few machines in small calls until ctx ends or a call fails, and
// reports the ids of those that were acknowledged.
func load(ctx context.Context, s *pgstore.Store, of string, acknowledged func(id string)) error {
	for n := 0; ctx.Err() == nil; n++ {
		entries := call(n, 5, 7)
		for i := range entries {
			entries[i].ID = fmt.Sprintf("%s-%d-%d", of, n, i)
		}
		if _, err := s.Append(entries, nil); err != nil {
			return err
		}
		for i := range entries {
			acknowledged(entries[i].Machine + " " + entries[i].ID)
		}
	}
	return nil
}

// own takes a slot and writes as its owner until it is told that it is not.
func own(ctx context.Context, s *pgstore.Store) error {
	l, ok, err := s.Take(ctx, s.Slot("K-1"), "paused", 500*time.Millisecond)
	if err != nil || !ok {
		return errors.Join(err, errors.New("no lease"))
	}
	for mine := s.Under(l); ; {
		err := mine.PutCached(map[string][]byte{"K-1": []byte("the paused process's")})
		if err == nil {
			_, _, err = s.Renew(ctx, l, 500*time.Millisecond)
		}
		switch {
		case errors.As(err, new(*pgstore.AwayError)): // the database ended a transaction that was paused
		case err != nil:
			return err
		default:
			fmt.Println("wrote")
		}
	}
}

// process is a child and what it has said.
type process struct {
	*exec.Cmd
	lines chan string
}

func start(t *testing.T, what, url string) *process {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	p := &process{exec.Command(self, what, url), make(chan string, 1<<20)}
	out, err := p.StdoutPipe()
	require.NoError(t, err)
	p.Stderr = os.Stderr
	require.NoError(t, p.Start())
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			p.lines <- lines.Text()
		}
		close(p.lines)
	}()
	t.Cleanup(func() { _ = p.Process.Kill() })
	return p
}

// next waits for a line.
func (p *process) next(t *testing.T) string {
	t.Helper()
	select {
	case line, ok := <-p.lines:
		require.True(t, ok, "the process has ended")
		return line
	case <-time.After(2 * time.Minute):
		require.FailNow(t, "the process says nothing")
		return ""
	}
}

// lost counts the acknowledged records that the store does not have.
func lost(t *testing.T, s *pgstore.Store, acknowledged []string) int {
	t.Helper()
	have := map[string]bool{}
	for e, err := range s.Entries() {
		require.NoError(t, err)
		have[e.Machine+" "+e.ID] = true
	}
	n := 0
	for _, id := range acknowledged {
		if !have[id] {
			n++
		}
	}
	return n
}

// sound checks that the store is whole.
func sound(t *testing.T, s *pgstore.Store) {
	t.Helper()
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
	storetest.Invariants(t, s)
}

// loading is load in this process, through failures: it goes on until it is stopped.
type loading struct {
	count  atomic.Int64 // acknowledged
	failed atomic.Int64 // calls
	away   atomic.Int64 // of these, with an AwayError
	stop   context.CancelFunc
	done   chan []string
}

func startLoading(t *testing.T, s *pgstore.Store) *loading {
	ctx, cancel := context.WithCancel(context.Background())
	l := &loading{stop: cancel, done: make(chan []string, 1)}
	t.Cleanup(cancel)
	go func() {
		var all []string
		for n := 0; ctx.Err() == nil; n++ {
			err := load(ctx, s, "run"+strconv.Itoa(n), func(id string) {
				all = append(all, id)
				l.count.Add(1)
			})
			if err == nil {
				break
			}
			l.failed.Add(1)
			if errors.As(err, new(*pgstore.AwayError)) && !strings.Contains(err.Error(), "SQLSTATE") {
				l.away.Add(1)
			}
			time.Sleep(100 * time.Millisecond) // as senders pause
		}
		l.done <- all
	}()
	return l
}

// until waits until so many more records were acknowledged.
func (l *loading) until(t *testing.T, more int64) {
	t.Helper()
	from := l.count.Load()
	require.Eventually(t, func() bool { return l.count.Load() >= from+more }, 2*time.Minute, time.Millisecond)
}

// end stops it and returns what was acknowledged.
func (l *loading) end() []string {
	l.stop()
	return <-l.done
}
