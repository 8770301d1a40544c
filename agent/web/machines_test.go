package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// drawn draws machines, most urgent first.
func drawn(t *rapid.T) []Machine {
	text := rapid.SampledFrom([]string{"", "North", "north-2", "Æ", "K-"})
	var all []Machine
	for i := range rapid.IntRange(0, 12).Draw(t, "machines") {
		model := text.Draw(t, "model")
		m := Machine{Site: text.Draw(t, "site"), Settings: &drift.Settings{Depot: text.Draw(t, "depot")}, Assessment: &advise.Assessment{
			Machine: fmt.Sprintf("%s-%d", rapid.SampledFrom([]string{"K", "m", "north"}).Draw(t, "kind"), i), Model: &model, State: rapid.SampledFrom(advise.States()).Draw(t, "state"),
		}}
		if rapid.Bool().Draw(t, "reported") {
			m.Data.Last = drift.Some(noon.Add(-time.Duration(rapid.IntRange(-2, 5).Draw(t, "hours")) * time.Hour))
		}
		if rapid.Bool().Draw(t, "forecast") {
			m.Electrode.ToFailure = &advise.Quantiles{P10: float64(rapid.IntRange(0, 3).Draw(t, "left"))}
			m.Electrode.ActBy = drift.Some(rapid.SampledFrom([]string{"2026-03-02", "2026-04-01"}).Draw(t, "by"))
		}
		if rapid.Bool().Draw(t, "renamed") {
			m.Before = []string{text.Draw(t, "before")}
		}
		if rapid.Bool().Draw(t, "asks") {
			m.Questions = []drift.Question{{}}
		}
		all = append(all, m)
	}
	return all
}

// passes is what [Board.passing] says, looking at one machine.
func passes(f filter, m *Machine) bool {
	found := f.Query == "" || slices.ContainsFunc(append([]string{m.Machine, label(m.Model), m.Site, m.Settings.Depot}, m.Before...), func(s string) bool {
		return strings.Contains(strings.ToLower(s), strings.ToLower(f.Query))
	})
	return found && (f.Model == "" || f.Model == label(m.Model)) && (f.Site == "" || f.Site == m.Site) && (f.Depot == "" || f.Depot == m.Settings.Depot)
}

// A board says of all machines what looking at each of them says.
func TestABoardSaysWhatItsMachinesSay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := drawn(t)
		b := NewBoard(listed(all), 1)
		text := rapid.SampledFrom([]string{"", "", "North", "north-2", "nowhere"})
		f := filter{
			Query: rapid.SampledFrom([]string{"", "", "north", "K-", "æ", "zz"}).Draw(t, "query"), Model: text.Draw(t, "only model"), Site: text.Draw(t, "only site"), Depot: text.Draw(t, "only depot"),
			State: rapid.SampledFrom(append(advise.States(), "")).Draw(t, "only state"), Sort: rapid.SampledFrom(orders[:]).Draw(t, "order"),
		}
		var want []*Machine
		var newest time.Time
		counts, asks := map[advise.State]int{}, 0
		for i := range all {
			m := &all[i]
			if !passes(f, m) {
				continue
			}
			counts[m.State]++
			if len(m.Questions) > 0 {
				asks++
			}
			if at := m.Data.Last.Or(time.Time{}); at.After(newest) && !at.After(noon) {
				newest = at
			}
			if f.State == "" || f.State == m.State {
				want = append(want, m)
			}
		}
		switch f.Sort {
		case byDue:
			slices.SortStableFunc(want, func(a, b *Machine) int { return cmp.Compare(or(dueBy(a), "9"), or(dueBy(b), "9")) })
		case byLeft:
			slices.SortStableFunc(want, func(a, b *Machine) int { return cmp.Compare(safeArcs(a), safeArcs(b)) })
		case bySilence:
			slices.SortStableFunc(want, func(a, b *Machine) int {
				return a.Data.Last.Or(time.Time{}).Compare(b.Data.Last.Or(time.Time{}))
			})
		case byName:
			slices.SortFunc(want, func(a, b *Machine) int { return strings.Compare(a.Machine, b.Machine) })
		}
		var got []*Machine
		for i := range b.kept(f) {
			got = append(got, &b.machines()[i])
		}
		require.Equal(t, want, got)
		n := b.count(b.passing(f))
		for _, state := range advise.States() {
			require.Equal(t, counts[state], n.of(state))
		}
		require.Equal(t, asks, n.asks)
		require.True(t, newest.Equal(b.newest(b.passing(f), noon)))
		for i := range all {
			require.Equal(t, &all[i], b.find(all[i].Machine))
		}
		require.False(t, b.has("nobody"))
		require.True(t, slices.IsSorted(b.names()))
	})
}

// Whoever asks at the same time gets the same pages, and a part of the fleet under one name
// is never shown under another.
func TestPartsOfABoardStayApart(t *testing.T) {
	f := yard()
	whole := &steady{fake: f}
	part := func(name partName, machine string) *Board {
		return newFleetPart(whole, f, func(m string) (time.Time, bool) { return time.Time{}, m == machine }, name).Board()
	}
	one := part(partName{"North", 1}, "K-07")
	require.Len(t, one.machines(), 1)
	assert.Same(t, one, part(partName{"North", 1}, "K-07"), "made once")
	other := part(partName{"South", 1}, "K-11")
	assert.Equal(t, "K-11", other.machines()[0].Machine)
	sold := part(partName{"North", 2}, "K-11")
	assert.Equal(t, "K-11", sold.machines()[0].Machine, "a machine changed hands")
	versions := map[uint64]bool{whole.Board().version: true, one.version: true, other.version: true, sold.version: true}
	assert.Len(t, versions, 4)
	f.version++
	assert.NotSame(t, one, part(partName{"North", 1}, "K-07"), "the fleet changed")
}

// Pages are asked for while the fleet changes: each shows one moment, and counts the
// machines that it lists.
func TestPagesOfAChangingFleet(t *testing.T) {
	f := crowd(300)
	h := serverFor(t, f).Handler()
	done := make(chan struct{})
	var changing sync.WaitGroup
	changing.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			case <-time.After(time.Millisecond):
				f.turn(fmt.Sprintf("X-%04d", 20+i%280), advise.States()[i%5])
			}
		}
	})
	var asking sync.WaitGroup
	for range 4 {
		asking.Go(func() {
			for range 3 {
				for _, path := range []string{"/", "/machines?view=table&sort=silence", "/wall", "/machines.csv", "/api/v1/machines", "/plan", "/morning", "/log?choose=1", "/machines/X-0123"} {
					w := getFrom(h, path)
					assert.Equal(t, http.StatusOK, w.Code, path)
					if path == "/machines.csv" {
						assert.Equal(t, 301, strings.Count(w.Body.String(), "\n"), "every machine once")
					}
				}
			}
		})
	}
	asking.Wait()
	close(done)
	changing.Wait()
}

// What a page lists has an end, however large the fleet, and says what it left out.
func TestPagesOfALargeFleetAreBounded(t *testing.T) {
	f := multitude(6000)
	h := serverFor(t, f).Handler()
	for path, says := range map[string]string{
		"/": "", "/?by=site": "", "/?days=730&by=cleaver": "", "/machines": "", "/machines?view=table": "", "/wall": "machines more", "/morning": "more</a>", "/alerts": "", "/plan": `aria-label="Depot"`,
		"/log?choose=1": "Which machine?", "/moved?choose=1": "Which machine?", "/start": "Names, with spaces", "/settings": "Settings of a machine", "/spares": "", "/proof": "",
	} {
		w, packed, page := zipped(t, h, path)
		assert.Equal(t, http.StatusOK, w.Code, path)
		t.Logf("%s: %d bytes as sent, %d unpacked", path, packed, len(page))
		assert.Less(t, packed, 100_000, path)
		assert.Contains(t, page, says, path)
		checkHTML(t, page)
	}
	assert.Greater(t, strings.Count(getFrom(h, "/morning.txt").Body.String(), "\n  X-"), 600, "the text has all")
	moved := getFrom(h, "/plan?depot=depot+3").Body.String()
	assert.Contains(t, moved, `<h2>depot 3</h2>`)
	assert.NotContains(t, moved, `<h2>depot 1</h2>`)
}

// getFrom asks a server that is running already.
func getFrom(h http.Handler, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, localRequest("GET", path))
	return w
}

// While the store cannot be read, the list of machines is there without the drawings, with
// the reason.
func TestBoardWithoutItsStore(t *testing.T) {
	f := yard()
	f.traceErr, f.broken = errors.New("the database cannot be reached"), []string{"The database cannot be reached."}
	w := get(t, f, "/machines")
	require.Equal(t, http.StatusOK, w.Code)
	assert.Equal(t, partial, w.Header().Get("ETag"), "the next look is another one")
	seen := text(t, w)
	assert.Contains(t, seen, "The database cannot be reached.")
	for i := range f.machines {
		assert.Contains(t, seen, f.machines[i].Machine)
	}
}
