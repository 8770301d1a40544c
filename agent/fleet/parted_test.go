package fleet

import (
	"cmp"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// One of a list, with a value besides its place.
type listed struct{ at, value int }

func byPlace(a, b *listed) int { return cmp.Compare(a.at, b.at) }

// A list that was changed over and over is the list made of all that is in it, the lists
// before are as they were, and what differs is found.
func TestAChangedListIsTheOneMadeAnew(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list, all := newParted(byPlace), map[int]*listed{}
		for round := range rapid.IntRange(1, 12).Draw(t, "rounds") {
			was, before := list, maps.Clone(all)
			var gone, come []*listed
			for range rapid.SampledFrom([]int{1, 3, 700}).Draw(t, "changes") {
				at := rapid.IntRange(0, 3000).Draw(t, "at")
				if old := before[at]; old != nil && all[at] == old {
					gone = append(gone, old)
					delete(all, at)
				}
				if all[at] == nil && rapid.IntRange(0, 3).Draw(t, "comes") > 0 {
					all[at] = &listed{at, round}
					come = append(come, all[at])
				}
			}
			list = was.with(gone, come)
			holds(t, list, all)
			holds(t, was, before)
			var differ []int
			for one := range list.differing(was) {
				differ = append(differ, one.at)
			}
			var want []int
			for at := range 3001 {
				if all[at] != before[at] {
					want = append(want, at)
				}
			}
			require.Equal(t, want, differ)
		}
	})
}

// holds holds a list against all that is to be in it.
func holds(t *rapid.T, list parted[*listed], all map[int]*listed) {
	want := slices.SortedFunc(maps.Values(all), byPlace)
	require.Equal(t, want, slices.Collect(list.all))
	require.Equal(t, len(want), list.length)
	for _, part := range list.parts {
		require.NotEmpty(t, part)
		require.LessOrEqual(t, len(part), partSize)
	}
	for _, at := range []int{0, 1, 1500, 3000} {
		one, found := list.find(func(one *listed) int { return cmp.Compare(one.at, at) })
		require.Equal(t, all[at] != nil, found)
		require.Same(t, all[at], one)
	}
}

// One change copies one part of a long list and shares the rest.
func TestAChangeCopiesOnePart(t *testing.T) {
	var all []*listed
	for at := range 100_000 {
		all = append(all, &listed{at, 0})
	}
	list := newParted(byPlace).with(nil, all)
	next := list.with(all[500:501], []*listed{{500, 1}})
	copied := 0
	for n := range next.parts {
		if &next.parts[n][0] != &list.parts[n][0] {
			copied++
		}
	}
	require.Equal(t, 1, copied)
}
