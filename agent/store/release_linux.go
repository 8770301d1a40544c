package store

import (
	"syscall"

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
