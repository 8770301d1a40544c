package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"go.etcd.io/bbolt"
)

// Backup writes a copy of the store as it is at this moment. Records are taken
// meanwhile, but nobody can be forgotten.
func (s *Store) Backup(w io.Writer) error {
	s.copying.RLock()
	defer s.copying.RUnlock()
	return s.copyTo(w)
}

func (s *Store) copyTo(w io.Writer) error {
	return s.view(func(tx *bbolt.Tx) error {
		_, err := tx.WriteTo(w)
		return err
	})
}

// BackupFile writes a backup to a file. Whatever happens, either the old file or the
// whole new one is there.
func (s *Store) BackupFile(path string) error {
	return replace(path, func(f *os.File) error { return s.Backup(f) })
}

// Restore replaces the store at path by a backup, after checking every record of it.
// A store that was there is kept in quarantine/. Restore returns what the check
// found; with an error nothing was changed.
func Restore(backup io.Reader, path string, now time.Time) (Report, error) {
	if err := unheld(path); err != nil {
		return Report{}, err
	}
	seen, err := readCheckpoint(path)
	if err != nil {
		return Report{}, err
	}
	staged := path + ".restore"
	defer os.Remove(staged)
	if err := stage(backup, staged); err != nil {
		return Report{}, err
	}
	report, err := VerifyFile(staged)
	if err != nil {
		return report, fmt.Errorf("the backup was not restored: %w", err)
	}
	if report.First != nil {
		return report, fmt.Errorf("the backup was not restored: %w", report.First)
	}
	return report, install(staged, path, seen, now)
}

// unheld says whether no other process has the store open.
func unheld(path string) error {
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		return nil
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: time.Second, ReadOnly: true})
	if err == nil {
		return db.Close()
	}
	if isHeld(err) {
		return fmt.Errorf("%w: %s", ErrHeld, path)
	}
	return nil // whatever else is wrong with it, it goes to quarantine
}

func stage(backup io.Reader, staged string) error {
	f, err := os.OpenFile(staged, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, backup)
	return errors.Join(err, f.Sync(), f.Close())
}

// install renames a checked store into place and writes its checkpoint. Its epoch is
// raised above every epoch that was used at this path.
func install(staged, path string, seen checkpoint, now time.Time) error {
	s := &Store{path: staged, now: func() time.Time { return now }, options: Options{Lock: time.Second}}
	if err := s.connect(); err != nil {
		return err
	}
	err := s.raiseEpoch(seen.Given)
	var w checkpoint
	err = errors.Join(err, s.view(func(tx *bbolt.Tx) (err error) {
		w, err = s.position(tx)
		return err
	}), s.db.Close())
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); err == nil {
		if err := keepBeside(path, now); err != nil {
			return err
		}
	}
	if err := os.Rename(staged, path); err != nil {
		return err
	}
	w.Written = now
	return errors.Join(syncDir(filepath.Dir(path)), writeCheckpoint(path, w))
}

// keepBeside gives the file a second name in quarantine/, so that there is a store at
// path at any moment.
func keepBeside(path string, now time.Time) error {
	to, err := quarantinePath(path, now)
	if err != nil {
		return err
	}
	if err := os.Link(path, to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// Quarantine moves the store at path into quarantine/ beside it and returns its new
// path. It is for a file that kills or hangs its reader. The next Open starts a new
// store under a new epoch and reports that the old one is missing.
func Quarantine(path string, now time.Time) (string, error) {
	to, err := quarantinePath(path, now)
	if err != nil {
		return "", err
	}
	if err := os.Rename(path, to); err != nil {
		return "", err
	}
	return to, errors.Join(syncDir(filepath.Dir(to)), syncDir(filepath.Dir(path)))
}

// quarantinePath is a free name, with the time, in quarantine/ beside the file.
func quarantinePath(path string, now time.Time) (string, error) {
	dir := filepath.Join(filepath.Dir(path), "quarantine")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	name := filepath.Join(dir, filepath.Base(path)+"."+now.UTC().Format("20060102T150405Z"))
	free := name
	for i := 2; ; i++ {
		if _, err := os.Lstat(free); errors.Is(err, fs.ErrNotExist) {
			return free, nil
		}
		free = name + "-" + strconv.Itoa(i)
	}
}

// comeBack tries to leave the state after a failed write: the kernel may hold
// as clean what the disk does not have, so the whole store is written afresh,
// flushed, checked and put in its own place.
func (s *Store) comeBack() error {
	if !due(s.tried, s.now()) {
		return fmt.Errorf("%w (%w)", ErrUnsure, s.unsure)
	}
	s.tried = s.now()
	report, err := s.copyAfresh()
	if err != nil {
		return fmt.Errorf("%w (%w)", ErrUnsure, err)
	}
	s.diagnose(FoundUnsure, "", "A write to the store %s failed (%v). The store was copied, all %d records of the copy were checked, and records are taken again under a new epoch. Check the disk.", s.path, s.unsure, report.Entries)
	s.setErrors(nil, s.checkpointErr)
	s.epoch = 0
	return nil
}

// copyAfresh replaces the store's file by a copy that was flushed and checked.
func (s *Store) copyAfresh() (Report, error) {
	if !s.copying.TryLock() {
		return Report{}, errCopying
	}
	defer s.copying.Unlock()
	if err := s.reconnect(nil); err != nil {
		return Report{}, err
	}
	staged := s.path + ".afresh"
	defer os.Remove(staged)
	if err := replace(staged, func(f *os.File) error { return s.copyTo(f) }); err != nil {
		return Report{}, err
	}
	report, err := VerifyFile(staged)
	if err == nil && report.First != nil {
		err = report.First
	}
	if err != nil {
		return report, err
	}
	return report, s.reconnect(func() error {
		return errors.Join(os.Rename(staged, s.path), syncDir(filepath.Dir(s.path)))
	})
}

// reconnect closes the file, runs exchange, which puts another file in its place, and
// opens that. With a nil exchange it only opens a file that an earlier try left
// closed. A file that cannot be opened, as somebody else has it, is tried again as after a
// failed write.
func (s *Store) reconnect(exchange func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	if s.db != nil {
		if exchange == nil {
			return nil
		}
		err = s.db.Close()
		s.db = nil
	}
	if exchange != nil {
		err = errors.Join(err, exchange())
	}
	err = errors.Join(err, s.connect())
	if s.db == nil && s.unsure == nil {
		s.tried = s.now()
		s.setErrors(err, s.checkpointErr)
	}
	return err
}
