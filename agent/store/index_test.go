package store_test

import (
	"bytes"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/store"
)

// An index that is as long as it should be and leads elsewhere is found out, and
// the entry that it does not lead to is named.
func TestAWrongIndexIsReported(t *testing.T) {
	s := newSample(t)
	ids, order := []byte("ids"), []byte("order")
	// Each changes what the indexes hold of two entries of one machine.
	for name, change := range map[string]func(tx *bbolt.Tx, a, b pair) error{
		"ids exchanged": func(tx *bbolt.Tx, a, b pair) error {
			ka, kb := bytes.Clone(a.idKey()), bytes.Clone(b.idKey())
			va, vb := bytes.Clone(tx.Bucket(ids).Get(ka)), bytes.Clone(tx.Bucket(ids).Get(kb))
			return errors.Join(tx.Bucket(ids).Put(ka, vb), tx.Bucket(ids).Put(kb, va))
		},
		"an id that is another's": func(tx *bbolt.Tx, a, _ pair) error {
			v := bytes.Clone(tx.Bucket(ids).Get(a.idKey()))
			return errors.Join(tx.Bucket(ids).Delete(a.idKey()), tx.Bucket(ids).Put([]byte("sixteen letters!"), v))
		},
		"the order tells another machine": func(tx *bbolt.Tx, a, _ pair) error {
			return tx.Bucket(order).Put(bytes.Clone(a.key[len(a.key)-16:]), []byte("K-9"))
		},
		"the order tells another number": func(tx *bbolt.Tx, a, _ pair) error {
			at := bytes.Clone(a.key[len(a.key)-16:])
			other := bytes.Clone(at)
			other[7]++ // an epoch that was never given
			return errors.Join(tx.Bucket(order).Delete(at), tx.Bucket(order).Put(other, []byte("K-3")))
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := s.at(t, s.file)
			var named pair
			edit(t, path, func(tx *bbolt.Tx) error {
				all := entriesOf(tx, "K-3")
				named = all[1]
				return change(tx, all[1], all[2])
			})
			report, err := store.VerifyFile(path)
			require.NoError(t, err)
			require.NotNil(t, report.First)
			epoch, seq := named.numbers()
			require.Equal(t, []any{"K-3", epoch, seq}, []any{report.First.Machine, report.First.Epoch, report.First.Seq}, "%v", report.First)
		})
	}
}

// idKey stands behind the door's name.
func (p pair) idKey() []byte {
	door := int(p.value[10])
	return p.value[11+door : 27+door]
}
