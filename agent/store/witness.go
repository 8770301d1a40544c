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

// witness is what FILE.witness says: how far the store had got. Epoch, Seq and
// Machine name its last entry, Chain is that entry's, Heads the SHA-256 over the
// ends of all machines' chains. Given is the last epoch that was given.
type witness struct {
	Schema  int       `json:"schema"`
	Store   string    `json:"store"`
	Epoch   uint64    `json:"epoch"`
	Seq     uint64    `json:"seq"`
	Machine string    `json:"machine"`
	Chain   string    `json:"chain"`
	Heads   string    `json:"heads"`
	Given   uint64    `json:"given"`
	Written time.Time `json:"written"`
	// NextChain and NextHeads are what Chain and Heads will be once a rewritten file
	// has taken the store's place, "" when none is about to.
	NextChain string `json:"next_chain,omitempty"`
	NextHeads string `json:"next_heads,omitempty"`

	exists bool
}

// The witness is written after so many commits, or with a commit when the last
// writing is so long ago: a trickle of records is witnessed one by one, a flood
// in passing.
const (
	witnessCommits = 64
	witnessAge     = time.Second
)

func witnessPath(path string) string { return path + ".witness" }

// readWitness reads the witness of the store at path; one that is not there or
// says nothing intelligible is a zero witness, with exists false in the first
// case.
func readWitness(path string) (witness, error) {
	raw, err := os.ReadFile(witnessPath(path))
	if errors.Is(err, fs.ErrNotExist) {
		return witness{}, nil
	}
	if err != nil {
		return witness{}, fmt.Errorf("the store's witness cannot be read: %w", err)
	}
	var w witness
	if json.Unmarshal(raw, &w) != nil {
		w = witness{}
	}
	w.exists = true
	return w, nil
}

func writeWitness(path string, w witness) error {
	raw, err := json.Marshal(w)
	if err != nil {
		return err
	}
	if err := replace(witnessPath(path), func(f *os.File) error {
		_, err := f.Write(append(raw, '\n'))
		return err
	}); err != nil {
		return fmt.Errorf("the store's witness cannot be written: %w", err)
	}
	return nil
}

// sight is what a witness would say of the store now.
func (s *Store) sight(tx *bbolt.Tx) (witness, error) {
	st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
	if err != nil {
		return witness{}, err
	}
	w := witness{Schema: schema, Store: s.name, Seq: st.seq, Heads: headsDigest(tx), Given: st.epoch, exists: true}
	order, machine := tx.Bucket(orderBucket).Cursor().Last()
	if p, ok := orderOf(order, machine); ok {
		w.Epoch, w.Machine = p.epoch, p.machine
		w.Chain = chainAt(tx, p)
	}
	return w, nil
}

// chainAt is the chain of the entry at p in hex, "" when there is none that can
// be read.
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

// compare holds the opened store against its witness. Epochs given before are
// not given again.
func (s *Store) compare(seen witness) error {
	var now witness
	var kind DiagnosticKind
	err := s.view(func(tx *bbolt.Tx) (err error) {
		if now, err = s.sight(tx); err == nil {
			kind = s.judge(tx, now, seen)
		}
		return err
	})
	if err != nil {
		now = witness{}
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

// judge says how the store differs from its witness, or "".
func (s *Store) judge(tx *bbolt.Tx, now, seen witness) DiagnosticKind {
	switch {
	case seen.Seq == 0 && now.Seq == 0, len(s.findings) > 0:
		return "" // never used, or replaced a moment ago
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

// keepAsFound reports a store that is readable but not what its witness saw,
// and keeps a copy of it as it was found.
func (s *Store) keepAsFound(kind DiagnosticKind, now, seen witness) {
	kept := ""
	if kind != FoundWithoutCheckpoint {
		to, err := quarantinePath(s.path, s.now())
		if err == nil && s.BackupFile(to) == nil {
			kept = to
		}
	}
	switch kind {
	case FoundWithoutCheckpoint:
		s.found(kind, "", "The store %s has no readable witness beside it: whether records are missing at its end cannot be told.", s.path)
	case FoundBehind:
		s.found(kind, kept, "The store %s is behind its witness: it holds %d records and had held %d. An old copy was put back, or the disk lost what it had confirmed. What is there goes on being used; send the missing records again or import an export.", s.path, now.Seq, seen.Seq)
	default:
		s.found(kind, kept, "The store %s is not the one its witness saw: another file was put in its place, or records in it were changed or spoilt. What is there goes on being used; run verify and compare with a backup.", s.path)
	}
}

// startAgain moves a store that opens but whose own numbers cannot be read.
func (s *Store) startAgain(cause error) error {
	if err := s.db.Close(); err != nil {
		return err
	}
	kept, err := Quarantine(s.path, s.now())
	if err != nil {
		return errors.Join(cause, err)
	}
	s.found(FoundDamaged, kept, "The store %s could not be read (%v). It was moved to %s and a new one was begun; bring back a backup, or import an export.", s.path, cause, kept)
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

// committed counts a commit and writes the witness when it is due. A witness
// that cannot be written is tried again with the next commit: the records are
// durable without it.
func (s *Store) committed() {
	s.commits++
	age := s.now().Sub(s.seen.Written)
	if s.commits >= witnessCommits || age >= witnessAge || age < 0 || s.unwitnessed != nil {
		s.tell(s.unsure, s.bearWitness())
	}
}

// bearWitness writes the witness if it would say anything new.
func (s *Store) bearWitness() error {
	var w witness
	err := guard(func() error {
		return s.db.View(func(tx *bbolt.Tx) (err error) {
			w, err = s.sight(tx)
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
	if err := writeWitness(s.path, w); err != nil {
		return err
	}
	s.seen, s.commits = w, 0
	return nil
}

// witnessNext lets the witness say that a rewritten file is about to take the
// store's place, so that after a kill either of the two is the one it saw.
func (s *Store) witnessNext(staged string) error {
	next := &Store{path: staged, options: Options{ReadOnly: true, Lock: s.options.Lock}}
	if err := next.connect(); err != nil {
		return err
	}
	var now, then witness
	err := errors.Join(
		s.view(func(tx *bbolt.Tx) (err error) { now, err = s.sight(tx); return err }),
		next.view(func(tx *bbolt.Tx) (err error) { then, err = next.sight(tx); return err }),
		next.db.Close())
	if err != nil {
		return err
	}
	now.NextChain, now.NextHeads, now.Written = then.Chain, then.Heads, s.now()
	if err := writeWitness(s.path, now); err != nil {
		return err
	}
	s.seen = now
	return nil
}

// replace writes a file so that a power cut leaves the old or the new one.
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
