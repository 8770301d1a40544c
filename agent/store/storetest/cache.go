package storetest

import (
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func cache(t *testing.T, s Store) {
	is := func(name, want string) {
		t.Helper()
		got, err := s.Cached(name)
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}
	is("K-1", "")
	require.NoError(t, s.PutCached(map[string][]byte{"": []byte("all"), "K-1": []byte("one"), "K-10": {0, 255}}))
	require.NoError(t, s.PutCached(map[string][]byte{"K-1": []byte("another")}))
	is("", "all")
	is("K-1", "another")
	is("K-10", "\x00\xff")
}

// afterALink: a link stands for all records of a machine up to one of them.
func afterALink(t *testing.T, s Store) {
	none, last, err := s.After("K-1", nil)
	require.NoError(t, err)
	assert.Empty(t, none)
	assert.Nil(t, last)
	for n := range 6 {
		keep(t, s, Calibration("K-1", n), Calibration("K-10", n))
	}
	whole, link, err := s.After("K-1", nil)
	require.NoError(t, err)
	history, err := s.History("K-1")
	require.NoError(t, err)
	assert.Equal(t, history, whole)
	more, same, err := s.After("K-1", link)
	require.NoError(t, err)
	assert.Empty(t, more)
	assert.Equal(t, link, same)

	keep(t, s, Calibration("K-1", 6), Calibration("K-1", 7))
	more, next, err := s.After("K-1", link)
	require.NoError(t, err)
	history, err = s.History("K-1")
	require.NoError(t, err)
	assert.Equal(t, history[6:], more)
	assert.NotEqual(t, link, next)

	edited := append([]byte(nil), link...)
	edited[len(edited)-1] ^= 1
	for name, wrong := range map[string][]byte{"edited": edited, "cut short": link[:len(link)/2], "empty": {}} {
		got, last, err := s.After("K-1", wrong)
		require.NoError(t, err, name)
		assert.Empty(t, got, name)
		assert.Nil(t, last, "%s: nothing is known of it", name)
	}
	got, last, err := s.After("K-10", link)
	require.NoError(t, err)
	assert.Empty(t, got)
	assert.Nil(t, last, "another machine's link")
}

func latest(t *testing.T, s Store) {
	clash := Calibration("K-1", 100)
	clash.ID = Calibration("K-1", 0).ID
	for n := range 9 {
		keep(t, s, Calibration("K-1", n), Calibration("K-10", n))
	}
	keep(t, s, clash)
	for _, machine := range []string{"K-1", "K-10", "K", "nobody"} {
		history, err := s.History(machine)
		require.NoError(t, err)
		for _, n := range []int{0, 1, 4, 9, 20} {
			got, err := s.Latest(machine, n)
			require.NoError(t, err)
			want := history[max(0, len(history)-n):]
			require.Len(t, got, len(want), "%s, %d", machine, n)
			for i := range want {
				require.Equal(t, want[i], got[i], "%s: the end of the history, in its order", machine)
			}
		}
	}
}

// writersAtOnce: of many that bring the same records at once, one brings each. The
// numbers rise in the order in which readers see the entries: a forwarder that has seen
// one number misses no smaller one.
func writersAtOnce(t *testing.T, s Store) {
	const writers, records = 8, 20
	fresh := make([]int, writers)
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			for n := range records {
				placed, err := s.Append([]drift.Entry{Calibration("K-07", n), Calibration(fmt.Sprintf("K-1%d", w), n)}, nil)
				if assert.NoError(t, err) && !placed[0].Duplicate {
					fresh[w]++
				}
			}
		})
	}
	var epoch, seq uint64
	var met []drift.Entry
	for len(met) < records { // reads while they write
		entries, err := s.Since(epoch, seq, 0)
		require.NoError(t, err)
		for _, e := range entries {
			require.Greater(t, e.StoreSeq, seq)
			epoch, seq = e.StoreEpoch, e.StoreSeq
		}
		met = append(met, entries...)
		if len(entries) == 0 && t.Failed() {
			break
		}
	}
	all.Wait()
	total := 0
	for _, n := range fresh {
		total += n
	}
	assert.Equal(t, records, total)
	rest, err := s.Since(epoch, seq, 0)
	require.NoError(t, err)
	entries, err := s.Since(0, 0, 0)
	require.NoError(t, err)
	require.Len(t, entries, records+writers*records)
	require.Equal(t, entries, append(met, rest...), "who reads meanwhile misses nothing")
}
