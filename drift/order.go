package drift

import (
	"cmp"
	"container/heap"
	"math"
	"slices"
	"time"
)

// Order sorts one machine's entries, in place, into the order in which they
// happened. The order is a function of the set alone: any permutation of the
// same entries gives the same result.
//
// A source's own numbers (epoch, seq) win over its clock. Its records keep that
// order; where the clock contradicts it, the longest run of records whose clock
// agrees is believed and the others take the time of the record before them.
// Sources, and records without numbers, are then merged by that time; those of one
// time by their arrival, but attempts of one session by their number, or else by
// the arc count. It returns where the entries end.
func Order(entries []Entry) Tail {
	streams := map[string][]placed{}
	loose := []placed{}
	for _, e := range entries {
		p := placed{Entry: e, at: e.When()}
		if e.Seq.Known() {
			streams[e.Source] = append(streams[e.Source], p)
		} else {
			loose = append(loose, p)
		}
	}
	slices.SortFunc(loose, placed.compare)
	untie(loose)
	queues := merge{}
	if len(loose) > 0 {
		queues = append(queues, loose)
	}
	var tail Tail
	for source, s := range streams {
		slices.SortFunc(s, placed.compareNumbers)
		steady := believeLongestRun(s)
		tail.stream(source, s[len(s)-1], steady)
		queues = append(queues, s)
	}
	for _, q := range queues {
		for _, p := range q {
			tail.reach(p)
		}
	}
	heap.Init(&queues)
	for i := range entries {
		entries[i] = queues[0][0].Entry
		if queues[0] = queues[0][1:]; len(queues[0]) == 0 {
			heap.Pop(&queues)
		} else {
			heap.Fix(&queues, 0)
		}
	}
	return tail
}

// placed is an entry with the time at which it is taken to have happened.
type placed struct {
	Entry
	at time.Time
}

func (p placed) compare(q placed) int {
	return cmp.Or(p.at.Compare(q.at), p.compareTaking(q), cmp.Compare(p.ID, q.ID))
}

// untie puts calibrations of one time into the order of their attempts: within a
// session by the attempt's number, where none has one by the arc count. They share
// the places that they have by arrival, so that what came between stays there.
func untie(sorted []placed) {
	for from := 0; from < len(sorted); {
		to := from + 1
		for to < len(sorted) && sorted[to].at.Equal(sorted[from].at) {
			to++
		}
		if to-from > 1 {
			untieOne(sorted[from:to])
		}
		from = to
	}
}

func untieOne(tied []placed) {
	type group struct {
		session  string
		services int // a service between two attempts stays there
	}
	sessions := map[group][]int{}
	services := 0
	for i, p := range tied {
		switch {
		case p.Service != nil:
			services++
		case p.Calibration != nil:
			g := group{p.Calibration.Session, services}
			sessions[g] = append(sessions[g], i)
		}
	}
	for _, places := range sessions {
		members := make([]placed, len(places))
		for k, i := range places {
			members[k] = tied[i]
		}
		ordinal := func(p placed) (int64, bool) { return p.Calibration.Attempt.Get() }
		if !rises(members, ordinal) {
			ordinal = func(p placed) (int64, bool) { return p.ArcCount.Get() }
			if !rises(members, ordinal) || fell(members) {
				continue
			}
		}
		slices.SortStableFunc(members, func(p, q placed) int {
			a, _ := ordinal(p)
			b, _ := ordinal(q)
			return cmp.Compare(a, b)
		})
		for k, i := range places {
			tied[i] = members[k]
		}
	}
}

// rises says whether all have an ordinal of their own.
func rises(members []placed, ordinal func(placed) (int64, bool)) bool {
	seen := make(map[int64]bool, len(members))
	for _, p := range members {
		n, known := ordinal(p)
		if !known || seen[n] {
			return false
		}
		seen[n] = true
	}
	return true
}

// compareNumbers compares records of one source by its own numbers.
func (p placed) compareNumbers(q placed) int {
	return cmp.Or(cmp.Compare(p.Epoch.Or(0), q.Epoch.Or(0)), cmp.Compare(p.Seq.Or(0), q.Seq.Or(0)),
		cmp.Compare(p.ID, q.ID), p.compareTaking(q))
}

// compareTaking settles what should not happen, two records of one id, by the
// store's own numbers.
func (p placed) compareTaking(q placed) int {
	return cmp.Or(cmp.Compare(p.StoreEpoch, q.StoreEpoch), cmp.Compare(p.StoreSeq, q.StoreSeq))
}

// believeLongestRun makes the times of a numbered stream rise: the longest
// non-decreasing subsequence keeps its times (patience sorting, Fredman 1975),
// the rest take the time of the record before them, or of the first believed
// one at the start. Of runs equally long it believes one whose times lie close
// together: a wild clock is far off. It says whether a record more whose clock
// goes on would leave all these as they are: whether no other run is as long.
func believeLongestRun(s []placed) (steady bool) {
	piles := [][]int{} // piles[k]: the records that end a run of length k+1, their times falling
	before := make([]int, len(s))
	for i := range s {
		k, _ := slices.BinarySearchFunc(piles, s[i].at, func(pile []int, at time.Time) int {
			if s[pile[len(pile)-1]].at.After(at) {
				return 1
			}
			return -1
		})
		before[i] = -1
		if k > 0 {
			nearest, _ := slices.BinarySearchFunc(piles[k-1], s[i].at, func(j int, at time.Time) int {
				if s[j].at.After(at) {
					return -1
				}
				return 1
			})
			before[i] = piles[k-1][nearest]
		}
		if k == len(piles) {
			piles = append(piles, nil)
		}
		piles[k] = append(piles[k], i)
	}
	if len(piles) == len(s) {
		return true
	}
	believed := make([]bool, len(s))
	first, last := 0, piles[len(piles)-1]
	for i := last[len(last)-1]; i >= 0; i = before[i] {
		believed[i], first = true, i
	}
	at := s[first].at
	for i := range s {
		if believed[i] {
			at = s[i].at
		} else {
			s[i].at = at
		}
	}
	return len(last) == 1
}

// fell says whether the counters are so far apart that one was set back between.
func fell(members []placed) bool {
	low, high := int64(math.MaxInt64), int64(0)
	for _, p := range members {
		n := p.ArcCount.Or(0)
		low, high = min(low, n), max(high, n)
	}
	const session = 20 // attempts at most
	return high-low > session*int64(len(members))
}

// merge is a heap of ordered queues, the one with the earliest head first.
type merge [][]placed

func (m merge) Len() int           { return len(m) }
func (m merge) Less(i, j int) bool { return m[i][0].compare(m[j][0]) < 0 }
func (m merge) Swap(i, j int)      { m[i], m[j] = m[j], m[i] }
func (m *merge) Push(x any)        { *m = append(*m, x.([]placed)) }
func (m *merge) Pop() any {
	last := (*m)[len(*m)-1]
	*m = (*m)[:len(*m)-1]
	return last
}
