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
)

// Store is an open store. Its methods may be called from several goroutines;
// writes wait for each other.
type Store struct {
	path    string
	now     func() time.Time
	options Options

	mu   sync.RWMutex // held for writing while db is replaced
	db   *bbolt.DB
	name string // made up with the file, names it for its witness
	past bool   // of an earlier schema

	writing sync.Mutex // keeps writers in a row and guards what is theirs
	epoch   uint64     // this process's, 0 until it first writes
	tried   time.Time  // when the store last tried to come back from a failed write
	seen    witness    // what the witness says
	commits int        // since it was written
	closed  bool
	// light says that the ballast was thrown off, or could not be taken, and
	// lightSince when that was tried last.
	light      bool
	lightSince time.Time

	spent atomic.Int64 // bytes read since pages were released

	telling     sync.Mutex // guards what is told while a write takes its time
	findings    []Diagnostic
	unsure      error // the write that failed, until the store has been checked
	unwitnessed error // why the witness could not be written last
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
	// Reserve is the size in bytes of a file kept beside the store, so that on a
	// full disk alerts can still be kept; 0 for none.
	Reserve int64
}

// Diagnostic is something about a store that its keeper must be told: it was not
// found as it was left.
type Diagnostic struct {
	Kind DiagnosticKind
	// Text says what was found, what was done and what to do, in sentences.
	Text string
	// Kept is the file in quarantine/, or "".
	Kept string
}

// DiagnosticKind says what was found.
type DiagnosticKind string

// The kinds of finding.
const (
	FoundBehind            DiagnosticKind = "behind"  // older than its witness says
	FoundMissing           DiagnosticKind = "gone"    // missing or empty
	FoundSwapped           DiagnosticKind = "swapped" // another store, or another past
	FoundDamaged           DiagnosticKind = "damaged" // cannot be opened
	FoundWithoutCheckpoint DiagnosticKind = "alone"   // without a readable witness
	FoundUnsure            DiagnosticKind = "unsure"  // a write had failed
	FoundCorrupt           DiagnosticKind = "spoilt"  // what was decided or is on its way is not as it was written
)

// Open opens the store at path, making it when there is none. A store that is
// not as its witness says is opened or replaced all the same, see Findings; an
// error means that there is nothing to work with: ErrHeld, ErrNewer,
// ErrForeign, or the file system's.
func Open(path string, now func() time.Time, options Options) (*Store, error) {
	if options.Lock == 0 {
		options.Lock = time.Second
	}
	s := &Store{path: path, now: now, options: options}
	seen, err := readWitness(path)
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
	_ = os.Remove(s.rewritten()) // of one that was killed; if it cannot be, it is in nobody's way
	if s.past {
		if err := s.bringUp(); err != nil {
			return nil, errors.Join(err, s.Close())
		}
	}
	s.ballastAtOpen()
	if err := s.mend(); err != nil && !errors.Is(err, ErrFull) {
		return nil, errors.Join(err, s.db.Close())
	}
	// On a full disk the store can still be read.
	s.tell(s.unsure, s.bearWitness())
	return s, nil
}

// openFile opens what is at path. What cannot be opened though it was ours is
// moved to quarantine and replaced by an empty store.
func (s *Store) openFile(seen witness) error {
	info, err := os.Stat(s.path)
	fresh := errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
	switch {
	case err != nil && !fresh, s.options.ReadOnly && err != nil:
		return fmt.Errorf("the store cannot be opened: %w", err)
	case s.options.ReadOnly && fresh:
		return fmt.Errorf("%w: %s is empty", ErrForeign, s.path)
	case fresh && seen.Seq > 0:
		s.found(FoundMissing, "", "The store %s is gone, and it had held %d records. A new one was begun; bring back a backup, or import an export.", s.path, seen.Seq)
	}
	if fresh && !seen.exists {
		// The witness comes first: what is found beside it later is ours, even
		// when the power fails half-way through making it.
		if err := writeWitness(s.path, witness{Schema: schema, Written: s.now()}); err != nil {
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
	s.found(FoundDamaged, kept, "The store %s could not be read (%v). It was moved to %s and a new one was begun; bring back a backup, or import an export.", s.path, err, kept)
	return s.connect()
}

// connect opens the file with bbolt and reads or makes the schema.
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
	// Address space, so that a growing file need not wait for its readers;
	// Windows would take it from the disk.
	if runtime.GOOS != "windows" {
		o.InitialMmapSize = 64 << 20
		if wide {
			o.InitialMmapSize = 1 << 30
		}
	}
	return o
}

// prepare makes the buckets of a new file, whose directory entry must be as
// durable as what will be in it.
func (s *Store) prepare(db *bbolt.DB) error {
	err := db.View(s.readSchema)
	if !errors.Is(err, errNew) {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range [][]byte{metaBucket, entriesBucket, idsBucket, orderBucket, headsBucket,
			conflictsBucket, setupsBucket, thinnedBucket, refusedBucket, seenBucket, countsBucket, peopleBucket, namesBucket} {
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

// readSchema checks that the file is ours and of a version we know.
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
	s.name, s.past = string(meta.Get(nameKey)), schemaOf(tx) < schema
	return nil
}

// Diagnostics are what was odd about the store when it was opened and since; they
// belong in the log and on the page of the agent's health.
func (s *Store) Diagnostics() []Diagnostic {
	s.telling.Lock()
	defer s.telling.Unlock()
	return slices.Clone(s.findings)
}

func (s *Store) found(kind DiagnosticKind, kept, format string, args ...any) {
	s.telling.Lock()
	defer s.telling.Unlock()
	s.findings = append(s.findings, Diagnostic{Kind: kind, Kept: kept, Text: fmt.Sprintf(format, args...)})
}

// tell notes what ails the store for those who ask. Only the writer calls it,
// so it may read both without the lock.
func (s *Store) tell(unsure, unwitnessed error) {
	s.telling.Lock()
	defer s.telling.Unlock()
	s.unsure, s.unwitnessed = unsure, unwitnessed
}

// Close writes the witness and closes the file, waiting for readers.
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
		err = s.bearWitness()
	}
	err = errors.Join(err, s.db.Close())
	s.db = nil
	return err
}

// view runs f in a transaction that reads one state of the store.
func (s *Store) view(f func(*bbolt.Tx) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		return berrors.ErrDatabaseNotOpen
	}
	return guard(func() error { return s.db.View(f) })
}
