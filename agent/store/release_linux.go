package store

import (
	"syscall"
	"time"

	"go.etcd.io/bbolt"
)

// release gives back the memory that pages of the file take in this process. The
// system has them still, and brings them back when they are read again.
func (s *Store) release() {
	_ = s.view(func(tx *bbolt.Tx) error { // only a favour: whatever comes of it, reading goes on
		_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, s.db.Info().Data, uintptr(tx.Size()), syscall.MADV_DONTNEED)
		return nil
	})
}

// releaseEvery is how long pages may gather while the whole file is read: some
// tens of megabytes.
const releaseEvery = 5 * time.Millisecond

// releasing releases pages again and again until what it returns is called, so
// that a large file is checked in little memory.
func (s *Store) releasing() (stop func()) {
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		timer := time.NewTicker(releaseEvery)
		defer timer.Stop()
		for {
			select {
			case <-done:
				return
			case <-timer.C:
				s.release()
			}
		}
	}()
	return func() {
		close(done)
		<-ended
	}
}
