package web

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/health"
	"arcdrift/drift/plan"
)

// zipped asks as a browser does and returns the answer and what it unpacks to.
func zipped(t testing.TB, h http.Handler, path string) (w *httptest.ResponseRecorder, packed int, page string) {
	t.Helper()
	r := localRequest("GET", path)
	r.Header.Set("Accept-Encoding", "gzip")
	w = httptest.NewRecorder()
	h.ServeHTTP(w, r)
	packed = w.Body.Len()
	require.Equal(t, "gzip", w.Header().Get("Content-Encoding"), path)
	unpack, err := gzip.NewReader(w.Body)
	require.NoError(t, err)
	all, err := io.ReadAll(unpack)
	require.NoError(t, err)
	return w, packed, string(all)
}

// longLived is a yard whose K-07 has so many records.
func longLived(n int) *fake {
	f := yard()
	trace, history := f.traces["K-07"], f.history["K-07"]
	attempt, entry := trace.Points[len(trace.Points)-1], history[len(history)-2]
	var points []advise.Point
	var entries []drift.Entry
	for i := range n {
		at := noon.Add(-time.Duration(n-i) * 4 * time.Hour)
		attempt.Time, attempt.Arcs = at, int64(i)
		points = append(points, attempt)
		entry.Time, entry.ID, entry.StoreSeq = at, "K-07-long-"+at.Format(time.RFC3339), uint64(i+1)
		entries = append(entries, entry)
	}
	trace.Points = points
	f.traces["K-07"], f.history["K-07"] = trace, entries
	return f
}

// USERS, section 6: under 100 KB as sent and a bounded number of nodes, for a
// board of 2,000 machines and for a machine with 5,000 records.
func TestLargePagesStaySmall(t *testing.T) {
	for path, f := range map[string]*fake{"/": crowd(2000), "/?days=730&by=site": crowd(2000), "/wall": crowd(2000), "/machines": crowd(2000), "/machines?view=table": crowd(2000), "/machines/K-07": longLived(5000), "/morning": crowd(2000), "/log?choose=1": crowd(2000), "/moved?choose=1": crowd(2000), "/start": crowd(2000), "/alerts": crowd(2000)} {
		w, packed, page := zipped(t, serverFor(t, f).Handler(), path)
		assert.Equal(t, http.StatusOK, w.Code)
		nodes := strings.Count(page, "<") - strings.Count(page, "</")
		t.Logf("%s: %d bytes as sent, %d unpacked, %d elements", path, packed, len(page), nodes)
		assert.Less(t, packed, 100_000, path)
		assert.Less(t, nodes, 4000, path)
	}
}

func TestCompressionKeepsTheTag(t *testing.T) {
	h := serverFor(t, yard()).Handler()
	w, _, _ := zipped(t, h, "/")
	assert.Contains(t, w.Header().Values("Vary"), "Accept-Encoding")
	again := localRequest("GET", "/")
	again.Header.Set("Accept-Encoding", "gzip")
	again.Header.Set("If-None-Match", w.Header().Get("ETag"))
	second := httptest.NewRecorder()
	h.ServeHTTP(second, again)
	assert.Equal(t, http.StatusNotModified, second.Code)
	// Who cannot unpack gets it plain.
	assert.Contains(t, get(t, yard(), "/").Body.String(), "<!doctype html>")
}

// longCrowd is a crowd whose days are known for two years.
func longCrowd(n int) *fake {
	f := crowd(n)
	book := *f.days()
	for k := range book.Machines {
		m := &book.Machines[k]
		var rows []health.Row
		for day := book.Until - 729; day <= book.Until; day++ {
			row := m.Rows[len(m.Rows)-1-int(book.Until-day)%len(m.Rows)]
			row.Day = day
			rows = append(rows, row)
		}
		m.Rows = rows
	}
	f.book = &book
	return f
}

// spent is the processor time that this process has used.
func spent(b *testing.B) time.Duration {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// benchmarkPage reports the 99th of 100 times that a page takes, by the clock
// and, for a computer that others use too, in processor time.
func benchmarkPage(b *testing.B, f *fake, path string) {
	h := serverFor(b, f).Handler()
	var clock, processor []time.Duration
	for b.Loop() {
		f.version++ // no page of before will do
		began, used := time.Now(), spent(b)
		_, _, _ = zipped(b, h, path)
		clock, processor = append(clock, time.Since(began)), append(processor, spent(b)-used)
	}
	for unit, all := range map[string][]time.Duration{"p99-ms": clock, "p99-cpu-ms": processor} {
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, unit)
	}
}

func BenchmarkOverviewOf2000(b *testing.B)  { benchmarkPage(b, crowd(2000), "/") }
func BenchmarkOverviewBySite(b *testing.B)  { benchmarkPage(b, crowd(2000), "/?by=site") }
func BenchmarkOverview2Years(b *testing.B)  { benchmarkPage(b, longCrowd(2000), "/?days=730") }
func BenchmarkBoardOf2000(b *testing.B)     { benchmarkPage(b, crowd(2000), "/machines") }
func BenchmarkTableOf2000(b *testing.B)     { benchmarkPage(b, crowd(2000), "/machines?view=table") }
func BenchmarkWallOf2000(b *testing.B)      { benchmarkPage(b, crowd(2000), "/wall") }
func BenchmarkMachineWith5000(b *testing.B) { benchmarkPage(b, longLived(5000), "/machines/K-07") }

// BenchmarkPlanOf2000: every tenth of 2,000 machines in ten depots needs the bench, each on
// a day that somebody decided.
func BenchmarkPlanOf2000(b *testing.B) {
	f := crowd(2000)
	for i := range f.machines {
		m := &f.machines[i]
		m.Settings.Depot = fmt.Sprint("depot ", i/10%10)
		if i%10 == 0 {
			m.Electrode.Action, m.Electrode.ActBy = advise.Clean, some(noon.AddDate(0, 0, i%28).Format(time.DateOnly))
			m.Move = &plan.Move{Day: noon.AddDate(0, 0, i%26).Format(time.DateOnly), By: "Ada", Reason: "the crew is back"}
		}
	}
	benchmarkPage(b, f, "/plan")
}

// BenchmarkUsable opens pages in a browser slowed down four times and reports
// when the page could be used: its load event.
func BenchmarkUsable(b *testing.B) {
	for name, c := range map[string]struct {
		f    *fake
		path string
	}{"overview of 2000": {crowd(2000), "/"}, "board of 2000": {crowd(2000), "/machines"}, "machine with 5000": {longLived(5000), "/machines/K-07"}} {
		b.Run(name, func(b *testing.B) {
			server := httptest.NewServer(serverFor(b, c.f).Handler())
			defer server.Close()
			ctx, cancel := chromedp.NewContext(context.Background())
			defer cancel()
			require.NoError(b, chromedp.Do(ctx, chromedp.Navigate(server.URL+"/healthz")))
			_, err := chromedp.Call(ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
			require.NoError(b, err)
			var took []float64
			for b.Loop() {
				require.NoError(b, chromedp.Do(ctx, chromedp.Navigate(server.URL+c.path)))
				ms, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`performance.getEntriesByType("navigation")[0].loadEventEnd`))
				require.NoError(b, err)
				took = append(took, ms)
			}
			slices.Sort(took)
			b.ReportMetric(took[len(took)/2], "usable-ms")
			b.ReportMetric(took[len(took)-1], "slowest-ms")
		})
	}
}
