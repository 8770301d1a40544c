package store

import "time"

// What is read of the file stays in memory as long as the system has room, and
// counts as the process's. Who reads much of it gives it back.

// releaseEvery is how long pages may gather while the whole file is read: some
// tens of megabytes.
const releaseEvery = 5 * time.Millisecond

// releasing releases pages again and again until what it returns is called.
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

const (
	// releaseAfter is how many bytes of histories may gather.
	releaseAfter = 32 << 20
	// aroundOne is what the system brings with one page: its neighbours.
	aroundOne = 64 << 10
)

// spend counts what was read of a history, and releases pages when it is much.
func (s *Store) spend(bytes int) {
	if s.spent.Add(int64(max(bytes, aroundOne))) >= releaseAfter {
		s.spent.Store(0)
		s.release()
	}
}
