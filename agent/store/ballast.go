package store

import (
	"fmt"
	"os"
	"time"
)

// The ballast is a file beside the store that only takes up room. On a full disk
// it is thrown off, so that what was decided, which is an alert, can still be
// kept and sent; records are then taken again once there is room for a new one.

func ballastPath(path string) string { return path + ".ballast" }

// takeBallast makes the file if it is not there.
func (s *Store) takeBallast() error {
	info, err := os.Stat(ballastPath(s.path))
	if s.options.Reserve == 0 || err == nil && info.Size() == s.options.Reserve {
		return nil
	}
	return replace(ballastPath(s.path), func(f *os.File) error {
		zeros := make([]byte, 64<<10)
		for left := s.options.Reserve; left > 0; left -= int64(len(zeros)) {
			if _, err := f.Write(zeros[:min(left, int64(len(zeros)))]); err != nil {
				return err
			}
		}
		return nil
	})
}

// throwOff makes room and says whether it did. The caller is the writer.
func (s *Store) throwOff() bool {
	if s.light || s.options.Reserve == 0 {
		return false
	}
	s.light, s.lightSince = true, s.now()
	return os.Remove(ballastPath(s.path)) == nil
}

// laden says why no records can be taken after the ballast was thrown off, and
// tries to take it again from time to time. The caller is the writer.
func (s *Store) laden() error {
	if !s.light {
		return nil
	}
	if !due(s.lightSince, s.now()) {
		return ErrFull
	}
	s.lightSince = s.now()
	err := s.takeBallast()
	if s.light = full(err); s.light {
		return fmt.Errorf("%w (%w)", ErrFull, err)
	}
	return nil // as at opening, only want of room keeps records out
}

// due says whether it is time to try again what was tried last at a moment. A
// clock that was put back must not make the wait longer.
func due(last, now time.Time) bool {
	waited := now.Sub(last)
	return waited < 0 || waited >= retryAfter
}

// ballastAtOpen takes the ballast. Without room for it the store opens all the
// same, and takes no records.
func (s *Store) ballastAtOpen() {
	s.light, s.lightSince = full(s.takeBallast()), s.now()
}
