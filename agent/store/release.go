package store

import (
	"os"
	"time"

	"go.etcd.io/bbolt"
)

// pages are the file's pages in the memory of this process. Pages that were read stay
// there as long as the system has room, and count as the process's memory; so a long
// reading releases them. They are valid as long as the transaction.
type pages struct{ at, size uintptr }

// pages are at most as many as the file has: if the file was cut short, the size in
// its header reaches beyond the mapping, into memory of others.
func (s *Store) pages(tx *bbolt.Tx) pages {
	info, err := os.Stat(s.path)
	if err != nil {
		return pages{}
	}
	return pages{s.db.Info().Data, uintptr(min(tx.Size(), info.Size()))}
}

// releaseEvery is how long pages may gather while bbolt checks them: it reads 30 MB
// and more in a millisecond, and does not report progress.
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
	// around is how many pages the system reads with one: neighbours, which are
	// seldom needed next.
	around = 16
	// onePage is the least that any look-up reads, in bytes.
	onePage = 4 << 10
	// beside is what a bbolt page holds of an entry besides key and value, in bytes.
	beside = 16
)

// spend counts bytes that were read, and releases pages when they are many.
func (s *Store) spend(tx *bbolt.Tx, bytes int) {
	if s.spent.Add(int64(bytes+beside)*around) >= releaseAfter {
		s.spent.Store(0)
		s.pages(tx).release()
	}
}
