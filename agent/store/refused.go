package store

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"slices"
	"strconv"
	"strings"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// MaxRefused is how many refusals are kept: the newest, which take at most 64 MiB with
// drift.MaxRaw each. The counts cover older ones too.
const MaxRefused = 4096

// MaxRefusalCounts bounds how many counts are kept by machine, field and reason; all others
// are counted together under the reason "other".
const MaxRefusalCounts = 4096

// RefusalCount is how many different submissions about a machine were refused for one
// reason. One that comes again after it has left the list counts again.
type RefusalCount struct {
	Machine, Field, Reason string
	Count                  uint64
}

// refuse stores one refusal, or counts it if it is there already.
func (w *writer) refuse(r *drift.Refusal) error {
	mark := RefusalMark(r)
	if key := bytes.Clone(w.seen.Get(mark)); key != nil {
		return w.refusedAgain(key, r)
	}
	w.state.refused++
	key := binary.BigEndian.AppendUint64(nil, w.state.refused)
	if err := w.putRefusal(key, *r); err != nil {
		return err
	}
	if err := w.seen.Put(mark, key); err != nil {
		return err
	}
	if err := w.count(r); err != nil {
		return err
	}
	return w.dropOldest()
}

func (w *writer) refusedAgain(key []byte, r *drift.Refusal) error {
	kept, err := refusalOf(key, w.refused.Get(key))
	switch {
	case err != nil:
		kept.Refusal = *r // the stored one is corrupt
	case r.Forwarded && r.Times <= kept.Times:
		return nil
	case r.Forwarded:
		kept.Times, kept.Last = r.Times, r.Last
	default:
		kept.Times, kept.Last = kept.Times+r.Times, r.Last
	}
	return w.putRefusal(key, kept.Refusal)
}

// putRefusal stores a refusal as the latest change of the list.
func (w *writer) putRefusal(key []byte, r drift.Refusal) error {
	// In a list from before changes were numbered, the keys are the numbers.
	change := max(w.refused.Sequence(), w.state.refused) + 1
	if err := w.refused.SetSequence(change); err != nil {
		return err
	}
	raw, err := json.Marshal(ChangedRefusal{r, change})
	if err != nil {
		return err
	}
	return w.refused.Put(key, seal(key, raw))
}

func refusalOf(key, sealed []byte) (ChangedRefusal, error) {
	var r ChangedRefusal
	raw, ok := unseal(key, sealed)
	if !ok || json.Unmarshal(raw, &r) != nil || len(key) != 8 {
		return r, &Damage{Meaning: "the list of refused records is corrupt"}
	}
	if r.Change == 0 {
		r.Change = binary.BigEndian.Uint64(key)
	}
	return r, nil
}

// dropOldest removes the oldest refusals above MaxRefused.
func (w *writer) dropOldest() error {
	c := w.refused.Cursor()
	for k, v := c.First(); k != nil && binary.BigEndian.Uint64(k)+MaxRefused <= w.state.refused; k, v = c.First() {
		if old, err := refusalOf(k, v); err == nil {
			if err := w.seen.Delete(RefusalMark(&old.Refusal)); err != nil {
				return err
			}
		}
		if err := w.refused.Delete(bytes.Clone(k)); err != nil {
			return err
		}
	}
	return nil
}

// RefusalMark identifies a refusal: what came, about which machine, and why it was
// refused.
func RefusalMark(r *drift.Refusal) []byte {
	h := sha256.New()
	for _, part := range []string{r.Machine, r.Via, r.Problem.Field, r.Problem.Reason, strconv.Itoa(r.Size)} {
		h.Write([]byte(part))
		h.Write([]byte{0})
	}
	h.Write(r.Raw)
	return h.Sum(nil)[:idKeyLen]
}

func (w *writer) count(r *drift.Refusal) error {
	key := RefusalCountKey(r.Machine, r.Problem.Field, r.Problem.Reason)
	before := w.counts.Get(key)
	if before == nil && w.counts.Sequence() >= MaxRefusalCounts {
		key = RefusalCountKey("", "", "other")
		before = w.counts.Get(key)
	}
	if before == nil {
		if _, err := w.counts.NextSequence(); err != nil {
			return err
		}
	}
	n, _ := countOf(key, before)
	return w.counts.Put(key, seal(key, binary.BigEndian.AppendUint64(nil, n+1)))
}

func countOf(key, sealed []byte) (uint64, bool) {
	b, ok := unseal(key, sealed)
	if !ok || len(b) != 8 {
		return 0, false
	}
	return binary.BigEndian.Uint64(b), true
}

// RefusalCountKey is the key of a count of refusals: the three after each other, with 0x00
// between them.
func RefusalCountKey(machine, field, reason string) []byte {
	const longest = 200
	if len(reason) > longest {
		reason = strings.ToValidUTF8(reason[:longest], "") + "…"
	}
	return []byte(machine + "\x00" + strings.ReplaceAll(field, "\x00", "") + "\x00" + reason)
}

// Refusals returns the refusals that are still kept, newest first, at most limit of
// them (0: all), about one machine or, with "", about all.
func (s *Store) Refusals(machine string, limit int) ([]drift.Refusal, error) {
	var out []drift.Refusal
	err := s.view(func(tx *bbolt.Tx) error {
		c := tx.Bucket(refusedBucket).Cursor()
		for k, v := c.Last(); k != nil && (limit == 0 || len(out) < limit); k, v = c.Prev() {
			r, err := refusalOf(k, v)
			if err != nil {
				return err
			}
			if machine == "" || r.Machine == machine {
				out = append(out, r.Refusal)
			}
		}
		return nil
	})
	return out, err
}

// RefusalCounts returns the counts since the store was made, largest first. If some are
// corrupt, it returns the others together with a [*Damage].
func (s *Store) RefusalCounts() ([]RefusalCount, error) {
	var out []RefusalCount
	var corrupt error
	err := s.view(func(tx *bbolt.Tx) error {
		return tx.Bucket(countsBucket).ForEach(func(k, v []byte) error {
			part := strings.SplitN(string(k), "\x00", 3)
			n, ok := countOf(k, v)
			if len(part) != 3 || !ok {
				corrupt = &Damage{Meaning: "the counts of refused records are corrupt"}
				return nil
			}
			out = append(out, RefusalCount{part[0], part[1], part[2], n})
			return nil
		})
	})
	slices.SortStableFunc(out, func(a, b RefusalCount) int { return cmp.Compare(b.Count, a.Count) })
	return out, errors.Join(corrupt, err)
}
