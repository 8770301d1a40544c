package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"go.etcd.io/bbolt"
)

// checkpoint is the content of FILE.witness: how far the store had got. Epoch, Seq
// and Machine name its last entry, Chain is the chain value of that entry, Heads the
// SHA-256 over the ends of all machines' chains. Given is the last epoch that was
// given to a process.
type checkpoint struct {
	Schema  int       `json:"schema"`
	Store   string    `json:"store"`
	Epoch   uint64    `json:"epoch"`
	Seq     uint64    `json:"seq"`
	Machine string    `json:"machine"`
	Chain   string    `json:"chain"`
	Heads   string    `json:"heads"`
	Given   uint64    `json:"given"`
	Gaps    uint64    `json:"gaps,omitempty"` // see gapsOf
	Written time.Time `json:"written"`
	// NextChain and NextHeads are Chain and Heads of the rewritten file that is about
	// to replace the store, "" when there is none.
	NextChain string `json:"next_chain,omitempty"`
	NextHeads string `json:"next_heads,omitempty"`

	exists bool
}

// The checkpoint is written after so many commits, or at a commit when it is so old:
// single records get one each, a flood of records one now and then.
const (
	checkpointCommits = 64
	checkpointAge     = time.Second
)

func checkpointPath(path string) string { return path + ".witness" }

// readCheckpoint reads the checkpoint of the store at path. If the file is missing
// or unreadable, the result is a zero checkpoint; exists is false if it is missing.
func readCheckpoint(path string) (checkpoint, error) {
	raw, err := os.ReadFile(checkpointPath(path))
	if errors.Is(err, fs.ErrNotExist) {
		return checkpoint{}, nil
	}
	if err != nil {
		return checkpoint{}, fmt.Errorf("the store's checkpoint cannot be read: %w", err)
	}
	var w checkpoint
	if json.Unmarshal(raw, &w) != nil {
		w = checkpoint{}
	}
	w.exists = true
	return w, nil
}

func writeCheckpoint(path string, w checkpoint) error {
	raw, err := json.Marshal(w)
	if err != nil {
		return err
	}
	if err := replace(checkpointPath(path), func(f *os.File) error {
		_, err := f.Write(append(raw, '\n'))
		return err
	}); err != nil {
		return fmt.Errorf("the store's checkpoint cannot be written: %w", err)
	}
	return nil
}

// position is the checkpoint of the store as it is now.
func (s *Store) position(tx *bbolt.Tx) (checkpoint, error) {
	st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
	if err != nil {
		return checkpoint{}, err
	}
	w := checkpoint{Schema: schema, Store: s.name, Seq: st.seq, Gaps: gapsOf(tx), Heads: headsDigest(tx), Given: st.epoch, exists: true}
	order, machine := tx.Bucket(orderBucket).Cursor().Last()
	if p, ok := orderOf(order, machine); ok {
		w.Epoch, w.Machine = p.epoch, p.machine
		w.Chain = chainAt(tx, p)
	}
	return w, nil
}

// chainAt is the chain value of the entry at p in hex, "" when the entry is missing
// or cannot be read.
func chainAt(tx *bbolt.Tx, p place) string {
	key := p.key()
	e, err := parse(key, tx.Bucket(entriesBucket).Get(key))
	if err != nil {
		return ""
	}
	return hex.EncodeToString(e.chain)
}

func headsDigest(tx *bbolt.Tx) string {
	h := sha256.New()
	c := tx.Bucket(headsBucket).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		h.Write(k)
		h.Write(v)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// compare compares the opened store with its checkpoint. It never gives an epoch
// twice.
func (s *Store) compare(seen checkpoint) error {
	var now checkpoint
	var kind DiagnosticKind
	err := s.view(func(tx *bbolt.Tx) (err error) {
		if now, err = s.position(tx); err == nil {
			kind = s.judge(tx, now, seen)
		}
		return err
	})
	if err != nil {
		now = checkpoint{}
		if err := s.startAgain(err); err != nil {
			return err
		}
	}
	if kind != "" {
		s.keepAsFound(kind, now, seen)
	}
	if seen.Given > now.Given {
		return s.raiseEpoch(seen.Given)
	}
	return nil
}

// judge says how the store differs from its checkpoint, or "".
func (s *Store) judge(tx *bbolt.Tx, now, seen checkpoint) DiagnosticKind {
	switch {
	case seen.Seq == 0 && now.Seq == 0, len(s.diagnostics) > 0:
		return "" // never used, or just replaced
	case seen.Store == "":
		return FoundWithoutCheckpoint
	case seen.Store != now.Store:
		return FoundSwapped
	case now.Seq < seen.Seq:
		return FoundBehind
	case now.Seq == seen.Seq && now.Heads != seen.Heads && now.Heads != seen.NextHeads:
		return FoundSwapped
	case seen.Seq == 0:
		return ""
	}
	if chain := chainAt(tx, place{seen.Machine, seen.Epoch, seen.Seq}); chain != seen.Chain && (chain == "" || chain != seen.NextChain) {
		return FoundSwapped
	}
	return ""
}

// keepAsFound reports a store that is readable but differs from its checkpoint, and
// keeps a copy of it as it was found.
func (s *Store) keepAsFound(kind DiagnosticKind, now, seen checkpoint) {
	kept := ""
	if kind != FoundWithoutCheckpoint {
		to, err := quarantinePath(s.path, s.now())
		if err == nil && s.BackupFile(to) == nil {
			kept = to
		}
	}
	switch kind {
	case FoundWithoutCheckpoint:
		s.diagnose(kind, "", "The store %s has no readable checkpoint file beside it. Whether its latest records are missing is not known.", s.path)
	case FoundBehind:
		s.diagnose(kind, kept, "The store %s is behind its checkpoint: it holds %d records and had %d. Either an old copy was put back, or the disk lost data that it had confirmed. The store stays in use. Send the missing records again, or import an export.", s.path, now.Seq-now.Gaps, seen.Seq-seen.Gaps)
	default:
		s.diagnose(kind, kept, "The store %s does not match its checkpoint. Either another file was put in its place, or records in it were changed. The store stays in use. Run verify, and compare it with a backup.", s.path)
	}
}

// startAgain moves a store that opens, but whose own numbers cannot be read, into
// quarantine and begins a new one.
func (s *Store) startAgain(cause error) error {
	if err := s.db.Close(); err != nil {
		return err
	}
	kept, err := Quarantine(s.path, s.now())
	if err != nil {
		return errors.Join(cause, err)
	}
	s.diagnose(FoundDamaged, kept, "The store %s could not be read (%v). It was moved to %s, and a new store was started. Restore a backup, or import an export.", s.path, cause, kept)
	return s.connect()
}

func (s *Store) raiseEpoch(epoch uint64) error {
	return s.db.Update(func(tx *bbolt.Tx) error {
		meta := tx.Bucket(metaBucket)
		st, err := stateOf(bytes.Clone(meta.Get(stateKey)))
		if err != nil {
			return err
		}
		st.epoch = max(st.epoch, epoch)
		return meta.Put(stateKey, st.bytes())
	})
}

// committed counts a commit and writes the checkpoint when it is due. If that fails,
// the next commit tries again: the records are durable without it.
func (s *Store) committed() {
	s.commits++
	age := s.now().Sub(s.seen.Written)
	if s.commits >= checkpointCommits || age >= checkpointAge || age < 0 || s.checkpointErr != nil {
		s.setErrors(s.unsure, s.saveCheckpoint())
	}
}

// saveCheckpoint writes the checkpoint if it has changed.
func (s *Store) saveCheckpoint() error {
	var w checkpoint
	err := guard(func() error {
		return s.db.View(func(tx *bbolt.Tx) (err error) {
			w, err = s.position(tx)
			return err
		})
	})
	if err != nil {
		return err
	}
	w.Written = s.seen.Written
	if w == s.seen {
		return nil
	}
	w.Written = s.now()
	if err := writeCheckpoint(s.path, w); err != nil {
		return err
	}
	s.seen, s.commits = w, 0
	return nil
}

// checkpointNext notes in the checkpoint that the rewritten file at staged is about
// to replace the store, so that after a kill either file matches.
func (s *Store) checkpointNext(staged string) error {
	next := &Store{path: staged, options: Options{ReadOnly: true, Lock: s.options.Lock}}
	if err := next.connect(); err != nil {
		return err
	}
	var now, then checkpoint
	err := errors.Join(
		s.view(func(tx *bbolt.Tx) (err error) { now, err = s.position(tx); return err }),
		next.view(func(tx *bbolt.Tx) (err error) { then, err = next.position(tx); return err }),
		next.db.Close())
	if err != nil {
		return err
	}
	now.NextChain, now.NextHeads, now.Written = then.Chain, then.Heads, s.now()
	if err := writeCheckpoint(s.path, now); err != nil {
		return err
	}
	s.seen = now
	return nil
}

// replace writes a file so that after a power cut either the old or the new one is
// there.
func replace(path string, write func(*os.File) error) error {
	f, err := os.OpenFile(path+".new", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	err = errors.Join(write(f), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncDir(filepath.Dir(path))
}

// syncDir makes the names in a directory durable. Windows does so by itself and
// cannot be asked to.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	return errors.Join(err, d.Close())
}
