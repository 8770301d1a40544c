package reach

import (
	"arcdrift/agent/store"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Backup copies the store, checks the copy and puts it at path.
func (l Location) Backup(ctx context.Context, path string) (store.Report, error) {
	staged, err := l.Copy(ctx, filepath.Dir(path))
	if err != nil {
		return store.Report{}, err
	}
	defer func() { _ = os.Remove(staged) }() // gone once it has its name
	report, err := sound(staged)
	if err != nil {
		return report, fmt.Errorf("the copy was not kept, as the store is not sound; see arcdrift verify: %w", err)
	}
	if err := os.Rename(staged, path); err != nil {
		return report, fmt.Errorf("the backup could not be put in its place: %w", err)
	}
	return report, nil
}

// Copy copies the store to a file of its own in dir, durably.
func (l Location) Copy(ctx context.Context, dir string) (path string, err error) {
	if !l.InFile() {
		return "", store.ErrNoCopy
	}
	if err := l.MustBe(); err != nil {
		return "", err
	}
	f, err := os.CreateTemp(dir, ".arcdrift-copy-")
	if err != nil {
		return "", fmt.Errorf("there is no place for a copy: %w", err)
	}
	err = errors.Join(l.writeCopy(ctx, f), f.Sync(), f.Close())
	if err != nil {
		return "", errors.Join(fmt.Errorf("the store could not be copied: %w", err), os.Remove(f.Name()))
	}
	return f.Name(), nil
}

func (l Location) writeCopy(ctx context.Context, w io.Writer) error {
	copied := func(_ store.Reader, s Store) error {
		c, can := s.(Copier)
		if !can {
			return store.ErrNoCopy
		}
		return c.Backup(w)
	}
	return l.read(ctx, copied, func(r *remote) error { return r.Backup(ctx, w) })
}

// sound checks a store that nobody holds; what is wrong is an error.
func sound(path string) (store.Report, error) {
	report, err := store.VerifyFile(path)
	if err == nil && report.First != nil {
		err = report.First
	}
	return report, err
}

// Verify checks the whole record. If it is sound, it calls also, which may be nil, with
// the store that was checked.
func (l Location) Verify(ctx context.Context, also func(Kept) error) (store.Report, error) {
	if !l.InFile() {
		return l.verifyOpen(ctx, also)
	}
	path, done, err := l.unheld(ctx)
	if err != nil {
		return store.Report{}, err
	}
	defer done()
	report, err := store.VerifyFile(path)
	if err != nil || report.First != nil || also == nil {
		return report, err
	}
	s, err := store.Open(path, l.Now, store.Options{ReadOnly: true})
	if err != nil {
		return report, err
	}
	return report, errors.Join(also(s), s.Close())
}

// verifyOpen checks a store that others may use at the same time.
func (l Location) verifyOpen(ctx context.Context, also func(Kept) error) (report store.Report, err error) {
	s, err := l.engine().Open(ctx, l, Reading)
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	v, can := s.(Verifier)
	if !can {
		return report, errors.New("this store has no check of its own: see arcdrift help database")
	}
	if report, err = v.Verify(); err == nil && report.First == nil && also != nil {
		err = also(s)
	}
	return report, err
}

// unheld is the store, or a copy of one that an agent holds; done takes that
// away.
func (l Location) unheld(ctx context.Context) (path string, done func(), err error) {
	if err := l.MustBe(); err != nil {
		return "", nil, err
	}
	s, err := store.Open(l.Path, l.Now, store.Options{ReadOnly: true, Lock: shortly})
	if err == nil {
		return l.Path, func() {}, s.Close()
	}
	if !errors.Is(err, store.ErrHeld) {
		return "", nil, err
	}
	path, err = l.Copy(ctx, "")
	return path, func() { _ = os.Remove(path) }, err // a copy that is left over harms nobody
}

// ReadCopy copies the store and reads the copy, so that the store is free meanwhile. A
// store that is no file is read as it is: its readers keep nobody waiting. sound leaves
// out corrupt records.
func (l Location) ReadCopy(ctx context.Context, read func(sound store.Reader, all Store) error) error {
	if !l.InFile() {
		s, err := l.engine().Open(ctx, l, Reading)
		if err != nil {
			return err
		}
		return errors.Join(read(store.NewReader(s, l.say), s), s.Close())
	}
	path, err := l.Copy(ctx, os.TempDir())
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(path) }() // it is only a copy
	s, err := store.Open(path, l.Now, store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	return errors.Join(read(store.NewReader(s, l.say), s), s.Close())
}
