package store

import (
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"runtime/debug"
	"syscall"

	berrors "go.etcd.io/bbolt/errors"
)

// What can be wrong with a store as a whole. The file system's errors come as they
// are.
var (
	ErrHeld     = errors.New("another agent has the database open")
	ErrFull     = errors.New("the disk or the store is full: no records are taken until there is room, but reading works")
	ErrUnsure   = errors.New("a write failed, so the disk cannot be trusted: no records are taken until the store has been checked")
	ErrNewer    = errors.New("a newer version of arcdrift wrote the store: use that version, or export there and import here")
	ErrForeign  = errors.New("the file is not an arcdrift store")
	ErrReadOnly = errors.New("the store is open for reading only")
	ErrNoCopy   = errors.New("the database's own tools back up and restore this store: see arcdrift help database")
	errDamaged  = errors.New("the store's file is damaged")
)

// Damage names one thing that is wrong inside a store and what it means.
type Damage struct {
	// Machine, Epoch and Seq name the entry; Epoch and Seq are 0 when the damage
	// is not in one entry.
	Machine    string
	Epoch, Seq uint64
	// Meaning is a sentence.
	Meaning string
}

// Error is one sentence.
func (d *Damage) Error() string {
	switch {
	case d.Seq == 0 && d.Machine == "":
		return d.Meaning
	case d.Seq == 0:
		return fmt.Sprintf("machine %s: %s", d.Machine, d.Meaning)
	case d.Machine == "":
		return fmt.Sprintf("setup entry %d/%d: %s", d.Epoch, d.Seq, d.Meaning)
	}
	return fmt.Sprintf("machine %s, entry %d/%d: %s", d.Machine, d.Epoch, d.Seq, d.Meaning)
}

// guard runs f and turns a panic or a memory fault, which bbolt meets on
// corrupt pages, into an error.
func guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			if _, fault := p.(runtime.Error); fault {
				p = "a page points outside the file" // a runtime error means nothing to a user
			}
			err = fmt.Errorf("%w: %v", errDamaged, p)
		}
	}()
	return f()
}

// full says whether a commit failed only because there was no room: then it changed
// nothing. A failed flush never counts as that, as the kernel may have dropped what
// it could not write.
func full(err error) bool {
	if errors.Is(err, berrors.ErrMaxSizeReached) {
		return true
	}
	var path *fs.PathError
	return errors.As(err, &path) && path.Op == "write" &&
		(errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT))
}
