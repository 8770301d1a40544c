package drift_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
)

var morning = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// at is an entry named id that many minutes after the morning's start.
func at(id string, minutes int) drift.Entry {
	return drift.Entry{Record: drift.Record{ID: id, Time: morning.Add(time.Duration(minutes) * time.Minute)}}
}

// from numbers an entry by its source.
func from(source string, seq int64, e drift.Entry) drift.Entry {
	e.Source, e.Seq = source, drift.Some(seq)
	return e
}

func ids(entries []drift.Entry) string {
	var out []string
	for _, e := range entries {
		out = append(out, e.ID)
	}
	return strings.Join(out, " ")
}

func TestOrder(t *testing.T) {
	noClock := drift.Entry{Record: drift.Record{ID: "c"}, Received: morning.Add(3 * time.Minute)}
	epoch := func(n int64, e drift.Entry) drift.Entry { e.Epoch = drift.Some(n); return e }
	for name, c := range map[string]struct {
		entries []drift.Entry
		want    string
	}{
		"nothing":                          {nil, ""},
		"by time":                          {[]drift.Entry{at("b", 2), at("a", 9), at("c", 1)}, "c b a"},
		"ties by id":                       {[]drift.Entry{at("b", 1), at("a", 1), at("c", 1)}, "a b c"},
		"arrival where no clock":           {[]drift.Entry{at("d", 4), noClock, at("b", 2)}, "b c d"},
		"a source's number over its clock": {[]drift.Entry{from("van", 2, at("b", 1)), from("van", 1, at("a", 2))}, "a b"},
		"epoch before number":              {[]drift.Entry{epoch(2, from("van", 1, at("b", 1))), epoch(1, from("van", 9, at("a", 2)))}, "a b"},
		"one number twice":                 {[]drift.Entry{from("van", 1, at("b", 1)), from("van", 1, at("a", 1))}, "a b"},
		"numbers of two sources are not compared": {[]drift.Entry{from("hut", 1, at("c", 3)), from("van", 2, at("b", 2)), from("van", 1, at("a", 1))}, "a b c"},
		"a clock far ahead once": {[]drift.Entry{
			from("van", 1, at("a", 1)), from("van", 2, at("b", 99_999)), from("van", 3, at("d", 4)), at("c", 2), at("e", 5),
		}, "a b c d e"},
		"a clock far behind once": {[]drift.Entry{
			from("van", 1, at("a", 1)), from("van", 2, at("c", -99_999)), from("van", 3, at("d", 4)), at("b", 0), at("e", 5),
		}, "b a c d e"},
		"a first clock far ahead": {[]drift.Entry{
			from("van", 1, at("b", 99_999)), from("van", 2, at("c", 3)), from("van", 3, at("d", 4)), at("a", 1), at("e", 5),
		}, "a b c d e"},
	} {
		t.Run(name, func(t *testing.T) {
			drift.Order(c.entries)
			assert.Equal(t, c.want, ids(c.entries))
		})
	}
}

func TestOneIDTwiceGoesByTaking(t *testing.T) {
	entries := []drift.Entry{from("van", 1, at("a", 1)), at("a", 1), from("hut", 1, at("a", 1)), from("hut", 1, at("a", 1))}
	for i := range entries {
		entries[i].StoreSeq = uint64(len(entries) - i)
	}
	drift.Order(entries)
	for i := range entries {
		assert.Equal(t, uint64(i+1), entries[i].StoreSeq)
	}
}

// history draws entries of some sources, some without numbers, with clocks
// that may be wild.
func history(t *rapid.T) []drift.Entry {
	var out []drift.Entry
	for i := range rapid.IntRange(0, 30).Draw(t, "entries") {
		e := at(fmt.Sprintf("id-%02d", i), rapid.IntRange(0, 20).Draw(t, "minute"))
		if rapid.IntRange(0, 9).Draw(t, "wild") == 0 {
			e.Time = e.Time.AddDate(rapid.IntRange(-30, 30).Draw(t, "years"), 0, 0)
		}
		if source := rapid.SampledFrom([]string{"", "van", "hut"}).Draw(t, "source"); source != "" {
			e = from(source, rapid.Int64Range(0, 15).Draw(t, "seq"), e)
			e.Epoch = drift.Some(rapid.Int64Range(0, 1).Draw(t, "epoch"))
		}
		out = append(out, e)
	}
	return out
}

func TestOrderIsOfTheSetAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := history(t)
		shuffled := rapid.Permutation(entries).Draw(t, "shuffled")
		drift.Order(entries)
		drift.Order(shuffled)
		require.Equal(t, ids(entries), ids(shuffled))
	})
}

func TestOrderKeepsEverySourcesOwnOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := history(t)
		drift.Order(entries)
		last := map[string][2]int64{}
		for _, e := range entries {
			if e.Source == "" {
				continue
			}
			now := [2]int64{e.Epoch.Or(0), e.Seq.Or(0)}
			if before, ok := last[e.Source]; ok {
				require.LessOrEqual(t, slices.Compare(before[:], now[:]), 0)
			}
			last[e.Source] = now
		}
	})
}

// One wild clock among good ones moves no other record. The first of all, far
// behind, and the last of all, far ahead, contradict no other and are left out.
func TestOneWildClockMovesNoOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 20).Draw(t, "n")
		wild := rapid.IntRange(1, n-2).Draw(t, "wild")
		years := rapid.SampledFrom([]int{-56, -1, 1, 50}).Draw(t, "years")
		var entries []drift.Entry
		var want []string
		for i := range n {
			other := at(fmt.Sprintf("x%02d", i), 2*i-1)
			numbered := from("van", int64(i), at(fmt.Sprintf("v%02d", i), 2*i))
			want = append(want, other.ID)
			if i == wild {
				numbered.Time = numbered.Time.AddDate(years, 0, 0)
			} else {
				want = append(want, numbered.ID)
			}
			entries = append(entries, numbered, other)
		}
		drift.Order(entries)
		entries = slices.DeleteFunc(entries, func(e drift.Entry) bool { return e.ID == fmt.Sprintf("v%02d", wild) })
		require.Equal(t, strings.Join(want, " "), ids(entries))
	})
}

// try is an attempt at the morning's start, taken as the n-th.
func try(id string, n uint64, change ...func(*drift.Entry)) drift.Entry {
	e := at(id, 0)
	e.Type, e.Calibration, e.StoreSeq = drift.TypeCalibration, &drift.Calibration{}, n
	for _, f := range change {
		f(&e)
	}
	return e
}

func TestTriesOfOneTime(t *testing.T) {
	attempt := func(n int64) func(*drift.Entry) {
		return func(e *drift.Entry) { e.Calibration.Attempt = drift.Some(n) }
	}
	arcs := func(n int64) func(*drift.Entry) { return func(e *drift.Entry) { e.ArcCount = drift.Some(n) } }
	session := func(s string) func(*drift.Entry) { return func(e *drift.Entry) { e.Calibration.Session = s } }
	replaced := try("r", 3)
	replaced.Calibration, replaced.Service = nil, &drift.Service{Action: drift.Replaced}
	for name, c := range map[string]struct {
		entries []drift.Entry
		want    string
	}{
		"as they came":         {[]drift.Entry{try("b", 1), try("c", 2), try("a", 3)}, "b c a"},
		"by attempt":           {[]drift.Entry{try("a", 1, attempt(3)), try("b", 2, attempt(2)), try("c", 3, attempt(1))}, "c b a"},
		"by arc count":         {[]drift.Entry{try("a", 1, arcs(903)), try("b", 2, arcs(902)), try("c", 3, arcs(901))}, "c b a"},
		"attempt before count": {[]drift.Entry{try("a", 1, attempt(2), arcs(900)), try("b", 2, attempt(1), arcs(901))}, "b a"},
		"sessions apart": {[]drift.Entry{
			try("a", 1, session("x"), attempt(2)), try("b", 2, session("y"), attempt(1)), try("c", 3, session("x"), attempt(1)),
		}, "c b a"},
		"some without":        {[]drift.Entry{try("c", 1, attempt(2)), try("b", 2), try("a", 3, attempt(1))}, "c b a"},
		"a new pair between":  {[]drift.Entry{try("b", 2, arcs(900)), try("a", 4, arcs(1)), replaced}, "b r a"},
		"a counter set back":  {[]drift.Entry{try("b", 1, arcs(900)), try("a", 2, arcs(1))}, "b a"},
		"one attempt twice":   {[]drift.Entry{try("b", 1, attempt(1)), try("a", 2, attempt(1))}, "b a"},
		"without any numbers": {[]drift.Entry{try("b", 0), try("a", 0)}, "a b"},
	} {
		t.Run(name, func(t *testing.T) {
			drift.Order(c.entries)
			assert.Equal(t, c.want, ids(c.entries))
			slices.Reverse(c.entries)
			drift.Order(c.entries)
			assert.Equal(t, c.want, ids(c.entries), "of the set alone")
		})
	}
}
