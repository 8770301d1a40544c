package web

import (
	"fmt"
	"net/http/httptest"
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

// BenchmarkPages times pages of generated fleets: the first look after every change of an
// answer, and a look when nothing has changed since the last one. Compare two programs side
// by side in one run.
func BenchmarkPages(b *testing.B) {
	for _, n := range sizes {
		f := multitude(n)
		s := serverFor(b, f)
		s.Fleet = &steady{fake: f}
		h := s.Handler()
		look := func(path string) time.Duration {
			began := time.Now()
			h.ServeHTTP(httptest.NewRecorder(), localRequest("GET", path))
			return time.Since(began)
		}
		for _, path := range timedPaths {
			b.Run(fmt.Sprintf("machines=%d:%s", n, strings.ReplaceAll(path, "/", "_")), func(b *testing.B) {
				var first, again []time.Duration
				for b.Loop() {
					f.version++ // no page of before will do
					first = append(first, look(path))
					again = append(again, look(path))
				}
				for unit, all := range map[string][]time.Duration{"first": first, "again": again} {
					slices.Sort(all)
					b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, unit+"-p50-ms")
					b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, unit+"-p99-ms")
				}
			})
		}
	}
}
