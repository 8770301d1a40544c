package store

import (
	"fmt"
	"os"
	"time"
)

// The reserve is a file beside the store, FILE.ballast, that only takes up room. On
// a full disk it is deleted, so that alerts can still be stored and sent. Records are
// taken again once there is room for a new reserve.

func reservePath(path string) string { return path + ".ballast" }

// takeReserve makes the reserve if it is not there.
func (s *Store) takeReserve() error {
	info, err := os.Stat(reservePath(s.path))
	if s.options.Reserve == 0 || err == nil && info.Size() == s.options.Reserve {
		return nil
	}
	return replace(reservePath(s.path), func(f *os.File) error {
		zeros := make([]byte, 64<<10)
		for left := s.options.Reserve; left > 0; left -= int64(len(zeros)) {
			if _, err := f.Write(zeros[:min(left, int64(len(zeros)))]); err != nil {
				return err
			}
		}
		return nil
	})
}

// releaseReserve makes room and says whether it did. From then on the store is
// degraded: it takes no records. The caller is the writer.
func (s *Store) releaseReserve() bool {
	if s.degraded || s.options.Reserve == 0 {
		return false
	}
	s.degraded, s.degradedSince = true, s.now()
	return os.Remove(reservePath(s.path)) == nil
}

// degradedErr is why no records can be taken while there is no reserve, or nil. From
// time to time it tries to make a new one. The caller is the writer.
func (s *Store) degradedErr() error {
	if !s.degraded {
		return nil
	}
	if !due(s.degradedSince, s.now()) {
		return ErrFull
	}
	s.degradedSince = s.now()
	err := s.takeReserve()
	if s.degraded = full(err); s.degraded {
		return fmt.Errorf("%w (%w)", ErrFull, err)
	}
	return nil // as at opening, only a full disk stops records
}

// due says whether it is time to try again, after a last try at the given moment. A
// clock that was set back does not make the wait longer.
func due(last, now time.Time) bool {
	waited := now.Sub(last)
	return waited < 0 || waited >= retryAfter
}

// reserveAtOpen makes the reserve. Without room for it the store opens all the same,
// degraded.
func (s *Store) reserveAtOpen() {
	s.degraded, s.degradedSince = full(s.takeReserve()), s.now()
}
