package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/compare"
)

// twoCleavers is a comparison of two cleavers, many lots and a machine.
func twoCleavers() compare.Report {
	r := compare.Report{AsOf: noon, Days: compare.Days, Rules: []string{"A rule."}, Limits: []string{"A limit."}}
	add := func(by compare.By, outcome compare.Outcome, name string, chance float64, verdict compare.Verdict) {
		r.Groups = append(r.Groups, compare.Group{
			By: by, Outcome: outcome, Name: name, Records: 34, Ended: 12, Machines: 2, Mean: 2.4, Low: 1.6, High: 3.5, Chance: chance, Verdict: verdict, Words: name + ": compared with the rest, 2.4 times as many.",
		})
	}
	add(compare.ByCleaver, compare.FailedTries, "C-9", 0.94, compare.Worse)
	add(compare.ByCleaver, compare.FailedTries, "C-2 <b>", 0.3, compare.CannotTell)
	for i := range mostCompared + 5 {
		add(compare.ByLot, compare.PairLife, fmt.Sprintf("L%02d", i), 0.05, compare.NoWorse)
	}
	add(compare.ByMachine, compare.Growth, "K-07", 0.2, compare.CannotTell)
	r.Cleavers = []compare.CleaverLife{
		{Cleaver: "C-9", Uses: 120, AllUses: 480, Blunt: 2, Cured: 7, LastBlunt: drift.Some(noon.AddDate(0, 0, -9)), Left: &compare.UsesLeft{P10: 40, P50: 210, P90: 520}},
		{Cleaver: "C-2 <b>", Uses: 12, AllUses: 12},
	}
	return r
}

func TestComparePage(t *testing.T) {
	t.Parallel()
	f := yard()
	f.compared = twoCleavers()
	seen := text(t, get(t, f, "/compare"))
	for _, want := range []string{
		"Worse than the rest", "C-9: compared with the rest, 2.4 times as many.", "Failed tries that the electrodes do not explain", "2.4 times (1.6 to 3.5)", "about 9 in 10", "34 sessions on 2 machines",
		"Cannot tell", "Life of the cleavers", "about 210 (40 to 520)", "21 Feb 2026", "A rule.", "A limit.", "sharps bin", "C-2 <b>",
	} {
		assert.Contains(t, seen, want)
	}
	assert.NotContains(t, seen, "L00")
	w := get(t, f, "/compare?by=lot")
	assert.Less(t, w.Body.Len(), 100_000)
	seen = text(t, w)
	assert.Contains(t, seen, "34 pairs, 12 ended on 2 machines")
	assert.Contains(t, seen, "5 more rows")
	assert.NotContains(t, seen, "Life of the cleavers")
	assert.Contains(t, get(t, f, "/compare?by=machine").Body.String(), `href="/machines/K-07"`)
	assert.Contains(t, text(t, get(t, f, "/compare?by=site")), "Sites: no two of them have records that can be compared.")
	assert.Equal(t, http.StatusBadRequest, get(t, f, "/compare?by=person").Code)
	f.moveErr = errors.New("a disk")
	assert.Equal(t, http.StatusInternalServerError, get(t, f, "/compare").Code)
}

// The comparison is worked out once for all, and once more for somebody who sees a part
// of the fleet; an error is not kept.
func TestComparedOncePerPart(t *testing.T) {
	t.Parallel()
	asked := map[bool]int{}
	var fails error
	c := newCompared(func(part drift.Part) (compare.Report, error) {
		asked[part == nil]++
		return compare.Report{}, fails
	})
	part := c.of(func(string) (time.Time, bool) { return time.Time{}, false }, "North")
	for range 3 {
		for _, one := range []*compared{c, part} {
			_, there, err := one.soon(t.Context(), noon)
			require.True(t, there)
			require.NoError(t, err)
		}
	}
	assert.Equal(t, map[bool]int{true: 1, false: 1}, asked)
	// While the next hour's is worked out, the last one is shown.
	c.turn <- struct{}{}
	over, end := context.WithCancel(t.Context())
	end()
	_, there, err := c.soon(over, noon.Add(time.Hour))
	require.NoError(t, err)
	assert.True(t, there)
	<-c.turn
	_, _, err = c.soon(t.Context(), noon.Add(time.Hour))
	require.NoError(t, err)
	assert.Equal(t, 2, asked[true])
	fails = errors.New("a disk")
	_, _, err = c.soon(t.Context(), noon.Add(2*time.Hour))
	require.ErrorIs(t, err, fails)
	_, _, err = c.soon(t.Context(), noon.Add(2*time.Hour))
	require.ErrorIs(t, err, fails)
	assert.Equal(t, 4, asked[true])
	_, _, err = c.soon(t.Context(), noon.Add(48*time.Hour))
	require.Error(t, err)
	assert.NotContains(t, c.last, "North", "nobody has asked for two days")
}

func TestCompareAPI(t *testing.T) {
	t.Parallel()
	f := yard()
	f.compared = twoCleavers()
	w := get(t, f, "/api/v1/compare")
	require.Equal(t, http.StatusOK, w.Code)
	var got compare.Report
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &got))
	assert.Equal(t, f.compared.Groups, got.Groups)
	assert.Contains(t, w.Body.String(), `"uses_left":null`)
	assert.Contains(t, w.Body.String(), `"last_blunt":null`)
}
