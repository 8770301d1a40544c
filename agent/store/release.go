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

// releaseEvery is how long pages may gather while bbolt checks them, which says
// nothing meanwhile: it reads 30 MB and more in a millisecond.
const releaseEvery = time.Millisecond

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
	// releaseAfter is how many bytes of pages may gather.
	releaseAfter = 32 << 20
	// around is how many pages the system brings with one: its neighbours, which
	// are seldom what is read next.
	around = 16
	// onePage is what is read at least, whatever is looked up.
	onePage = 4 << 10
	// beside is what bbolt's page holds of an entry beside its key and value.
	beside = 16
)

// spend counts bytes that were read, and releases pages when they are many.
func (s *Store) spend(tx *bbolt.Tx, bytes int) {
	if s.spent.Add(int64(bytes+beside)*around) >= releaseAfter {
		s.spent.Store(0)
		s.pages(tx).release()
	}
}
