package store

import "syscall"

// release gives the memory back. The system has the pages still, and brings them
// back when they are read again.
func (p pages) release() {
	// Only a favour: whatever comes of it, reading goes on.
	_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, p.at, p.size, syscall.MADV_DONTNEED)
}
