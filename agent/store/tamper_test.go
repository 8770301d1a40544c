package store_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
)

// edit opens a store's file without the store.
func edit(t *testing.T, path string, f func(tx *bbolt.Tx) error) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: time.Second})
	require.NoError(t, err)
	require.NoError(t, db.Update(f))
	require.NoError(t, db.Close())
}

// resealed is a value whose checksum fits again: what someone who can read this
// source would write.
func resealed(key, value []byte) []byte {
	body := bytes.Clone(value[:len(value)-4])
	table := crc32.MakeTable(crc32.Castagnoli)
	return binary.BigEndian.AppendUint32(body, crc32.Update(crc32.Checksum(key, table), table, body))
}

// pair is one entry as it lies in the file.
type pair struct{ key, value []byte }

func (p pair) numbers() (epoch, seq uint64) {
	n := p.key[len(p.key)-16:]
	return binary.BigEndian.Uint64(n), binary.BigEndian.Uint64(n[8:])
}

func entriesOf(tx *bbolt.Tx, machine string) []pair {
	var out []pair
	prefix := append([]byte(machine), 0)
	c := tx.Bucket([]byte("entries")).Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		out = append(out, pair{bytes.Clone(k), bytes.Clone(v)})
	}
	return out
}

// proof takes a value apart as doc.go says: what the chain covers of it besides
// the key and the chain before, and where its chain lies.
func (p pair) proof() (covers, chain []byte) {
	door := int(p.value[10])
	marks := sha256.Sum256(p.value[11+door : 59+door])
	told := 61 + door + int(binary.BigEndian.Uint16(p.value[59+door:]))
	end := len(p.value) - 4 - sha256.Size
	sum := sha256.Sum256(bytes.Join([][]byte{p.value[2:10], {p.value[1] &^ 4}, p.value[told+4 : end]}, nil))
	return bytes.Join([][]byte{p.value[1:2], p.value[10 : 11+door], marks[:], sum[:], p.value[61+door : told]}, nil), p.value[end : end+sha256.Size]
}

// asThinned is the entry as if it were an arc count that was compacted.
func (p pair) asThinned() []byte {
	covers, chain := p.proof()
	door := int(covers[1])
	b := bytes.Join([][]byte{{1, 0}, covers[:1], p.value[27+door : 59+door], covers[2+door+32 : 2+door+64], {0, 0, 0, 0}}, nil)
	for _, label := range []string{string(covers[2 : 2+door]), "", "", "", ""} {
		b = append(append(b, byte(len(label))), label...)
	}
	return resealed(p.key, append(append(b, chain...), 0, 0, 0, 0))
}

// passForThinned puts it among those.
func (p pair) passForThinned(tx *bbolt.Tx) error {
	compacted := tx.Bucket([]byte("thinned"))
	return errors.Join(compacted.Put(p.key, p.asThinned()), compacted.SetSequence(1),
		tx.Bucket([]byte("entries")).Delete(p.key), tx.Bucket([]byte("order")).Delete(p.key[len(p.key)-16:]))
}

// TestTamperedEntryIsReported: verify names the first entry that is not as it was
// kept, whoever made its checksum fit.
func TestTamperedEntryIsReported(t *testing.T) {
	s := newSample(t)
	// Each changes the i-th of a machine's entries and returns the one that
	// verify should name.
	ways := map[string]func(tx *bbolt.Tx, all []pair, i int) (pair, error){
		"edit": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			changed := bytes.Replace(all[i].value, []byte(`"humidity_pct":71`), []byte(`"humidity_pct":17`), 1)
			return all[i], tx.Bucket([]byte("entries")).Put(all[i].key, resealed(all[i].key, changed))
		},
		"delete": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			named := all[max(0, len(all)-2)]
			if i+1 < len(all) {
				named = all[i+1]
			}
			return named, tx.Bucket([]byte("entries")).Delete(all[i].key)
		},
		"reorder": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			a, b := all[min(i, len(all)-2)], all[min(i, len(all)-2)+1]
			entries := tx.Bucket([]byte("entries"))
			if err := entries.Put(a.key, resealed(a.key, b.value)); err != nil {
				return a, err
			}
			return a, entries.Put(b.key, resealed(b.key, a.value))
		},
		"insert": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			new := pair{bytes.Clone(all[i].key), all[i].value}
			_, seq := all[i].numbers()
			binary.BigEndian.PutUint64(new.key[len(new.key)-8:], seq+1)
			return new, tx.Bucket([]byte("entries")).Put(new.key, resealed(new.key, new.value))
		},
		"pass for compacted": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			return all[i], all[i].passForThinned(tx)
		},
		"pass for a compacted arc count": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			all[i].value[1] |= 4
			return all[i], all[i].passForThinned(tx)
		},
		"mark as arc count": func(tx *bbolt.Tx, all []pair, i int) (pair, error) {
			all[i].value[1] |= 4
			return all[i], tx.Bucket([]byte("entries")).Put(all[i].key, resealed(all[i].key, all[i].value))
		},
	}
	for name, change := range ways {
		t.Run(name, func(t *testing.T) {
			n := faulttest.Rounds(t, 10)
			for seed := range n {
				random := rand.New(rand.NewPCG(24, uint64(seed)))
				path := s.at(t, s.file)
				var named pair
				edit(t, path, func(tx *bbolt.Tx) (err error) {
					all := entriesOf(tx, "K-3")
					i := random.IntN(len(all))
					if seed == 0 {
						i = len(all) - 1
					}
					named, err = change(tx, all, i)
					return err
				})
				report, err := store.VerifyFile(path)
				require.NoError(t, err)
				require.NotNil(t, report.First)
				epoch, seq := named.numbers()
				require.Equal(t, []any{"K-3", epoch, seq}, []any{report.First.Machine, report.First.Epoch, report.First.Seq}, "seed %d: %v", seed, report.First)
			}
			faulttest.Bound(t, "tampered entry not named", n)
		})
	}
}

// TestAForgedChainDiffersFromItsCheckpoint: someone who forges the whole chain of a
// machine passes verify, which is why the checkpoint is kept elsewhere.
func TestAForgedChainDiffersFromItsCheckpoint(t *testing.T) {
	s := newSample(t)
	path := s.at(t, s.file)
	edit(t, path, func(tx *bbolt.Tx) error {
		chain := make([]byte, sha256.Size)
		for i, p := range entriesOf(tx, "K-3") {
			if i == 5 {
				p.value = bytes.Replace(p.value, []byte(`"humidity_pct":71`), []byte(`"humidity_pct":17`), 1)
			}
			covers, at := p.proof()
			next := sha256.Sum256(bytes.Join([][]byte{chain, p.key, covers}, nil))
			chain = next[:]
			copy(at, chain)
			if err := tx.Bucket([]byte("entries")).Put(p.key, resealed(p.key, p.value)); err != nil {
				return err
			}
		}
		heads, key := tx.Bucket([]byte("heads")), []byte("K-3\x00")
		head := bytes.Clone(heads.Get(key))
		copy(head[len(head)-4-sha256.Size:], chain)
		return heads.Put(key, resealed(key, head))
	})
	report, err := store.VerifyFile(path)
	require.NoError(t, err)
	require.Nil(t, report.First, "the forgery is complete")
	db := open(t, path)
	require.Len(t, db.Diagnostics(), 1)
	require.Equal(t, store.FoundSwapped, db.Diagnostics()[0].Kind)
}

func TestANewerStoreIsRefused(t *testing.T) {
	s := newSample(t)
	path := s.at(t, s.file)
	edit(t, path, func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte("meta")).Put([]byte("schema"), []byte{0, 0, 0, 99})
	})
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	_, err = store.Open(path, storetest.Received, store.Options{})
	require.ErrorIs(t, err, store.ErrNewer)
	require.ErrorContains(t, err, "schema 99")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after, "it is left as it was")
}
