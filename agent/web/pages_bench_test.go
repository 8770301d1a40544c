package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/health"
)

// sizes are the fleets that pages are timed with.
var sizes = []int{2000, 20_000, 100_000}

// timedPaths are the pages that show a fleet, with the slowest ways to ask for them.
var timedPaths = []string{
	"/", "/?by=site", "/?days=730&by=site", "/?site=Site+7&by=model", "/?by=cleaver", "/machines", "/machines?view=table&sort=due", "/machines?sort=name&q=x-01",
	"/wall", "/morning", "/alerts", "/plan", "/spares", "/start", "/log?choose=1", "/machines/X-0123", "/settings", "/machines.csv", "/api/v1/machines", "/api/v1/machines/X-0123",
}

// multitude is a generated fleet of n machines: one in six needs somebody, fifty machines
// at each site, a thousand at each depot, ten models, days for as long as a crowd has them.
func multitude(n int) *fake {
	f := crowd(n)
	for i := range f.machines {
		if i < 20 {
			continue // those of the yard stay
		}
		m := &f.machines[i]
		model := fmt.Sprint("Model ", i%10)
		m.Model, m.Site, m.Settings.Depot = &model, fmt.Sprint("Site ", i/50), fmt.Sprint("depot ", i/1000)
		if i%6 == 0 {
			m.State = advise.States()[i/6%4]
			m.Electrode.Action, m.Electrode.ActBy = advise.Clean, some(noon.AddDate(0, 0, i%28).Format(time.DateOnly))
		}
	}
	slices.SortStableFunc(f.machines, func(a, b Machine) int {
		return slices.Index(advise.States(), a.State) - slices.Index(advise.States(), b.State)
	})
	book := *f.days()
	for k := range book.Machines { // sites as they are now
		m := &book.Machines[k]
		labels := map[*health.Labels]*health.Labels{}
		at := slices.IndexFunc(f.machines[:min(40, len(f.machines))], func(one Machine) bool { return one.Machine == m.Name })
		for i := range m.Rows {
			was := m.Rows[i].Labels
			if labels[was] == nil && at < 0 {
				now := *was
				now.Site = fmt.Sprint("Site ", k/50)
				labels[was] = &now
			}
			if l := labels[was]; l != nil {
				m.Rows[i].Labels = l
			}
		}
	}
	book.Sums = new(health.Summer).Next(book.Machines)
	f.book = &book
	return f
}

// steady keeps its board until its version is another, as a fleet does.
type steady struct {
	*fake
	board *Board
}

func (s *steady) Board() *Board {
	if s.board == nil || s.board.version != s.version {
		s.board = s.fake.Board()
	}
	return s.board
}

// looks are the times that a page took, by the clock and, for a computer that others use
// too, in processor time.
type looks struct{ clock, processor []time.Duration }

func (l *looks) at(b *testing.B, h http.Handler, path string) {
	began, used := time.Now(), spent(b)
	h.ServeHTTP(httptest.NewRecorder(), localRequest("GET", path))
	l.clock, l.processor = append(l.clock, time.Since(began)), append(l.processor, spent(b)-used)
}

func (l *looks) report(b *testing.B, name string) {
	for unit, all := range map[string][]time.Duration{"ms": l.clock, "cpu-ms": l.processor} {
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, name+"-p50-"+unit)
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, name+"-p99-"+unit)
	}
}

// BenchmarkPages times pages of generated fleets: the first look after every change of an
// answer, and a look when nothing has changed since the last one. Compare two programs side
// by side in one run.
func BenchmarkPages(b *testing.B) {
	for _, n := range sizes {
		b.Run(fmt.Sprint("machines=", n), func(b *testing.B) {
			f := multitude(n)
			s := serverFor(b, f)
			s.Fleet = &steady{fake: f}
			h := s.Handler()
			for _, path := range timedPaths {
				b.Run(strings.ReplaceAll(path, "/", "_"), func(b *testing.B) {
					var first, again looks
					for b.Loop() {
						f.version++ // no page of before will do
						first.at(b, h, path)
						again.at(b, h, path)
					}
					first.report(b, "first")
					again.report(b, "again")
				})
			}
		})
	}
}

// BenchmarkBoardKept reports what is kept of a machine for the pages, and what summing the
// days takes: for each machine and for each day of the largest fleet.
func BenchmarkBoardKept(b *testing.B) {
	f := multitude(sizes[len(sizes)-1])
	n := float64(len(f.machines))
	held := heap()
	var board *Board
	for b.Loop() {
		board = NewBoard(listed(slices.Clone(f.machines)), 1)
		for _, o := range orders {
			_ = slices.Collect(board.kept(filter{Sort: o, Query: "x"}))
		}
		_ = board.plan()
	}
	b.ReportMetric(float64(heap()-held)/n, "board-B/machine")
	held = heap()
	sums := new(health.Summer).Next(f.book.Machines)
	b.ReportMetric(float64(heap()-held)/n, "sums-B/machine")
	runtime.KeepAlive(sums)
	runtime.KeepAlive(board)
	runtime.KeepAlive(f)
}

// heap is what is in use; the second collection empties pools.
func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
