package store

import (
	"os"
	"time"

	"go.etcd.io/bbolt"
)

// pages are those of the file in the memory of this process. What is read of them
// stays there as long as the system has room, and counts as the process's; who
// reads much gives it back. They are where they are as long as the transaction.
type pages struct{ at, size uintptr }

// pages are no more than the file has: of one that was cut short, the size in its
// header reaches beyond what is mapped, into memory that is not its.
func (s *Store) pages(tx *bbolt.Tx) pages {
	info, err := os.Stat(s.path)
	if err != nil {
		return pages{}
	}
	return pages{s.db.Info().Data, uintptr(min(tx.Size(), info.Size()))}
}

// releaseEvery is how long pages may gather while the whole file is read: some
// tens of megabytes.
const releaseEvery = 5 * time.Millisecond

// releasing releases pages again and again until what it returns is called.
func (p pages) releasing() (stop func()) {
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
				p.release()
			}
		}
	}()
	return func() {
		close(done)
		<-ended
	}
}

const (
	// releaseAfter is how many bytes of histories may gather.
	releaseAfter = 32 << 20
	// aroundOne is what the system brings with one page: its neighbours.
	aroundOne = 64 << 10
)

// spend counts what was read of a history, and releases pages when it is much.
func (s *Store) spend(tx *bbolt.Tx, bytes int) {
	if s.spent.Add(int64(max(bytes, aroundOne))) >= releaseAfter {
		s.spent.Store(0)
		s.pages(tx).release()
	}
}
