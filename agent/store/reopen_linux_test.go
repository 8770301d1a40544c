package store_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// A rewritten file that cannot be opened again, as another process was quicker to lock it,
// is opened half a minute later. Before, the store stayed closed until the program was
// started again, and told whoever wrote that its file was damaged.
func TestRewrittenFileOfWhichAnotherHasTheLock(t *testing.T) {
	now := storetest.Received()
	path := filepath.Join(t.TempDir(), "arcdrift.db")
	s, err := store.Open(path, func() time.Time { return now }, store.Options{Lock: 50 * time.Millisecond})
	require.NoError(t, err)
	n := 0
	take := func(name string) error {
		n++
		e := storetest.Calibration("K-07", n)
		e.Operator = name
		_, err := s.Append([]drift.Entry{e}, nil)
		return err
	}
	// The other process does not always get the lock, as the store may be quicker, and may
	// get it before the new file is written: then nothing was rewritten.
	for tries, deadline := 0, time.Now().Add(10*time.Minute); ; tries++ {
		require.True(t, time.Now().Before(deadline), "it never came between")
		name := fmt.Sprint("Somebody ", tries)
		require.NoError(t, take(name))
		release := lockNext(t, path+".rewriting")
		_, err := s.Forget(name)
		if !errors.Is(err, store.ErrHeld) {
			release()
			continue
		}
		require.ErrorIs(t, take("Another"), store.ErrUnsure)
		n--
		release()
		break
	}
	require.ErrorIs(t, take("Another"), store.ErrUnsure, "it is not tried all the time")
	n--
	now = now.Add(31 * time.Second)
	require.NoError(t, take("Another"))
	all, err := s.History("K-07")
	require.NoError(t, err)
	assert.Len(t, all, n)
	require.NoError(t, s.Close())
	report, err := store.VerifyFile(path)
	require.NoError(t, err)
	assert.Nil(t, report.First)
}

// lockNext takes the lock of the file that appears at path, as soon as it can be had.
func lockNext(t *testing.T, path string) (release func()) {
	t.Helper()
	ended, stop := make(chan *os.File), make(chan struct{})
	go func() {
		for {
			if f, err := os.Open(path); err == nil {
				_ = syscall.Flock(int(f.Fd()), syscall.LOCK_SH) // the file's owner ends this wait
				ended <- f
				return
			}
			select {
			case <-stop:
				ended <- nil
				return
			default:
			}
		}
	}()
	return func() {
		close(stop)
		if f := <-ended; f != nil {
			require.NoError(t, f.Close())
		}
	}
}
