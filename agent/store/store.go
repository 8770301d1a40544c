package store

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math/bits"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"arcdrift/drift/phrase"
)

// Store is an open store. Its methods may be called from several goroutines at once;
// writes wait for each other. Entries that a method returns belong to the caller.
type Store struct {
	path    string
	now     func() time.Time
	options Options

	copying  sync.RWMutex // held for reading while a copy is written, for writing while a file is made that replaces db
	mu       sync.RWMutex // held for writing while db is replaced
	db       *bbolt.DB
	name     string // drawn at random when the file was made; the checkpoint names it
	outdated bool   // of an earlier schema

	writing sync.Mutex // held by the writer; guards the fields down to degradedSince
	epoch   uint64     // this process's, 0 until it first writes
	tried   time.Time  // when the store last tried to come back from a failed write
	dropped time.Time  // when keys of settled items were looked for that are no longer needed
	seen    checkpoint // as it was written last
	commits int        // since then
	closed  bool
	// degraded says that there is no reserve on a full disk, and degradedSince when
	// making one was tried last.
	degraded      bool
	degradedSince time.Time

	spent atomic.Int64 // bytes read since pages were released

	diagnosticsMu sync.Mutex // guards the fields below, which others read while a write takes its time
	diagnostics   []Diagnostic
	unsure        error // of the failed write, until the store has been checked
	checkpointErr error // of the last writing of the checkpoint
}

// Options of Open. The zero value is right for an agent.
type Options struct {
	// ReadOnly opens an existing store, as it is, beside other readers.
	ReadOnly bool
	// MaxSize bounds the file in bytes; 0 is 1 GiB where addresses have 32 bits
	// and 64 GiB elsewhere.
	MaxSize int
	// Lock is how long to wait for another process; 0 is one second.
	Lock time.Duration
	// Reserve is the size in bytes of a file beside the store that is deleted on a
	// full disk, so that alerts can still be stored; 0 for none.
	Reserve int64
}

// Diagnostic reports that a store was not found as it was left, or that the store had
// to repair itself.
type Diagnostic struct {
	Kind DiagnosticKind
	// Text says in sentences what was found, what was done, and what to do.
	Text string
	// Kept is the file in quarantine/, or "".
	Kept string
}

// DiagnosticKind says what was found. The values appear in logs.
type DiagnosticKind string

// The kinds of diagnostic.
const (
	FoundBehind            DiagnosticKind = "behind"  // older than its checkpoint
	FoundMissing           DiagnosticKind = "gone"    // missing or empty
	FoundSwapped           DiagnosticKind = "swapped" // another store, or another history
	FoundDamaged           DiagnosticKind = "damaged" // cannot be opened
	FoundWithoutCheckpoint DiagnosticKind = "alone"   // no readable checkpoint
	FoundUnsure            DiagnosticKind = "unsure"  // a write had failed
	FoundCorrupt           DiagnosticKind = "spoilt"  // decisions or waiting messages were corrupt
)

// Open opens the store at path, or makes it when there is none. now is the wall clock.
// A store that differs from its checkpoint is opened, and one that cannot be read is
// replaced; see [Store.Diagnostics]. The error is ErrHeld, ErrNewer, ErrForeign,
// ErrFull while an older file is upgraded, or the file system's.
func Open(path string, now func() time.Time, options Options) (*Store, error) {
	if options.Lock == 0 {
		options.Lock = time.Second
	}
	s := &Store{path: path, now: now, options: options}
	seen, err := readCheckpoint(path)
	if err != nil {
		return nil, err
	}
	s.seen = seen
	if err := s.openFile(seen); err != nil {
		return nil, err
	}
	if options.ReadOnly {
		return s, nil
	}
	if err := s.compare(seen); err != nil {
		return nil, errors.Join(err, s.db.Close())
	}
	_ = os.Remove(s.rewritten()) // left by a process that was killed; it does no harm if it stays
	if s.outdated {
		if err := s.migrate(); err != nil {
			return nil, errors.Join(err, s.Close())
		}
	}
	s.reserveAtOpen()
	if err := s.repair(); err != nil && !errors.Is(err, ErrFull) {
		return nil, errors.Join(err, s.db.Close())
	}
	// On a full disk the store can still be read.
	s.setErrors(s.unsure, s.saveCheckpoint())
	return s, nil
}

// openFile opens the file at path. A store of ours that cannot be opened is moved to
// quarantine and replaced by an empty one.
func (s *Store) openFile(seen checkpoint) error {
	info, err := os.Stat(s.path)
	fresh := errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
	switch {
	case err != nil && !fresh, s.options.ReadOnly && err != nil:
		return fmt.Errorf("the store cannot be opened: %w", err)
	case s.options.ReadOnly && fresh:
		return fmt.Errorf("%w: %s is empty", ErrForeign, s.path)
	case fresh && seen.Seq > 0:
		s.diagnose(FoundMissing, "", "The store %s is missing. It had %s. A new store was started. Restore a backup, or import an export.", s.path, phrase.Count(seen.Seq-seen.Gaps, "record"))
	}
	if fresh && !seen.exists {
		// The checkpoint comes first: it shows that a file beside it is ours, even if
		// the power fails while that file is being made.
		if err := writeCheckpoint(s.path, checkpoint{Schema: schema, Written: s.now()}); err != nil {
			return err
		}
	}
	err = s.connect()
	if !errors.Is(err, errDamaged) || s.options.ReadOnly {
		return err
	}
	if !seen.exists {
		return fmt.Errorf("%w: %w", ErrForeign, err)
	}
	kept, moveErr := Quarantine(s.path, s.now())
	if moveErr != nil {
		return errors.Join(err, moveErr)
	}
	s.diagnose(FoundDamaged, kept, "The store %s could not be read (%v). It was moved to %s, and a new store was started. Restore a backup, or import an export.", s.path, err, kept)
	return s.connect()
}

// connect opens the file with bbolt and reads the schema, or makes it.
func (s *Store) connect() error {
	var db *bbolt.DB
	err := guard(func() (err error) {
		if err := cutShort(s.path); err != nil {
			return fmt.Errorf("%w: %w", errDamaged, err)
		}
		db, err = bbolt.Open(s.path, 0o600, s.bolt())
		return err
	})
	var system syscall.Errno
	switch {
	case isHeld(err):
		return fmt.Errorf("%w: %s", ErrHeld, s.path)
	case errors.As(err, &system) || errors.Is(err, errDamaged):
		return fmt.Errorf("the store cannot be opened: %w", err)
	case err != nil:
		return fmt.Errorf("%w: %w", errDamaged, err)
	}
	err = guard(func() error {
		if s.options.ReadOnly {
			return db.View(s.readSchema)
		}
		return s.prepare(db)
	})
	if err != nil {
		return errors.Join(err, db.Close())
	}
	s.db = db
	return nil
}

func isHeld(err error) bool { return errors.Is(err, berrors.ErrTimeout) }

func (s *Store) bolt() *bbolt.Options {
	o := &bbolt.Options{Timeout: s.options.Lock, ReadOnly: s.options.ReadOnly, MaxSize: s.options.MaxSize}
	wide := bits.UintSize == 64
	if o.MaxSize == 0 {
		// Above 1 GiB bbolt runs out of addresses on 32 bits.
		o.MaxSize = 1 << 30
		if wide {
			o.MaxSize <<= 6
		}
	}
	// Address space in advance, so that a growing file does not wait for its readers.
	// On Windows it would take room on the disk.
	if runtime.GOOS != "windows" {
		o.InitialMmapSize = 64 << 20
		if wide {
			o.InitialMmapSize = 1 << 30
		}
	}
	return o
}

// prepare makes the buckets of a new file, and makes its directory entry durable.
func (s *Store) prepare(db *bbolt.DB) error {
	err := db.View(s.readSchema)
	if !errors.Is(err, errNew) {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range [][]byte{metaBucket, entriesBucket, idsBucket, orderBucket, headsBucket,
			conflictsBucket, setupsBucket, compactedBucket, refusedBucket, seenBucket, countsBucket, peopleBucket, namesBucket} {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		meta := tx.Bucket(metaBucket)
		s.name = rand.Text()
		return errors.Join(
			putSchema(tx),
			meta.Put(nameKey, []byte(s.name)),
			meta.Put(stateKey, state{}.bytes()))
	})
	if err != nil {
		return fmt.Errorf("the store cannot be made: %w", err)
	}
	return syncDir(filepath.Dir(s.path))
}

var errNew = errors.New("the file is new")

func putSchema(tx *bbolt.Tx) error {
	return tx.Bucket(metaBucket).Put(schemaKey, binary.BigEndian.AppendUint32(nil, schema))
}

// schemaOf is the version of the file, 0 when it says none.
func schemaOf(tx *bbolt.Tx) uint32 {
	v := tx.Bucket(metaBucket).Get(schemaKey)
	if len(v) != 4 {
		return 0
	}
	return binary.BigEndian.Uint32(v)
}

// readSchema checks that the file is ours and of a known version.
func (s *Store) readSchema(tx *bbolt.Tx) error {
	meta := tx.Bucket(metaBucket)
	if meta == nil {
		if k, _ := tx.Cursor().First(); k == nil {
			return errNew
		}
		return fmt.Errorf("%w: %s", ErrForeign, s.path)
	}
	switch v := schemaOf(tx); {
	case v == 0:
		return fmt.Errorf("%w: %s", ErrForeign, s.path)
	case v > schema:
		return fmt.Errorf("%w (schema %d, this one knows %d)", ErrNewer, v, schema)
	}
	s.name, s.outdated = string(meta.Get(nameKey)), schemaOf(tx) < schema
	return nil
}

// Diagnostics are what was unusual about the store when it was opened and since, for
// the log and the pages.
func (s *Store) Diagnostics() []Diagnostic {
	s.diagnosticsMu.Lock()
	defer s.diagnosticsMu.Unlock()
	return slices.Clone(s.diagnostics)
}

func (s *Store) diagnose(kind DiagnosticKind, kept, format string, args ...any) {
	s.diagnosticsMu.Lock()
	defer s.diagnosticsMu.Unlock()
	s.diagnostics = append(s.diagnostics, Diagnostic{Kind: kind, Kept: kept, Text: fmt.Sprintf(format, args...)})
}

// setErrors notes what ails the store for those who ask. Only the writer calls it,
// so it may read both without the lock.
func (s *Store) setErrors(unsure, checkpointErr error) {
	s.diagnosticsMu.Lock()
	defer s.diagnosticsMu.Unlock()
	s.unsure, s.checkpointErr = unsure, checkpointErr
}

// Close waits for readers, writes the checkpoint and closes the file.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	if s.db == nil {
		return nil
	}
	var err error
	if !s.options.ReadOnly && s.unsure == nil {
		err = s.saveCheckpoint()
	}
	err = errors.Join(err, s.db.Close())
	s.db = nil
	return err
}

// view runs f in a transaction that sees one state of the store.
func (s *Store) view(f func(*bbolt.Tx) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return berrors.ErrDatabaseNotOpen
	}
	return guard(func() error { return s.db.View(f) })
}
