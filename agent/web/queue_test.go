package web

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/agent/store/storetest"
	"arcdrift/dashboards"
	"arcdrift/drift"
)

// phoneOn starts a browser that keeps its memory in a folder.
func phoneOn(t *testing.T, profile, url string) *tab {
	t.Helper()
	locks, err := filepath.Glob(filepath.Join(profile, "Singleton*"))
	require.NoError(t, err)
	for _, lock := range locks { // a killed browser leaves them
		require.NoError(t, os.Remove(lock))
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.UserDataDir(profile))...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 5*time.Minute) // a hung browser ends the test
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx, url: url}
	b.do() // starts it
	return b
}

// kill ends the browser as an empty battery does: all its processes, for those
// that outlive the first still write into the folder that the next one opens.
func (b *tab) kill(profile string) {
	b.t.Helper()
	require.Eventually(b.t, func() bool {
		still, err := holders(profile)
		require.NoError(b.t, err)
		for _, process := range still {
			_ = syscall.Kill(process, syscall.SIGKILL)
		}
		return len(still) == 0
	}, time.Minute, 10*time.Millisecond, "the browser is dead")
}

// holders lists the processes started with a profile on their command line, as
// all of a browser's are.
func holders(profile string) ([]int, error) {
	lines, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		return nil, err
	}
	var out []int
	for _, name := range lines {
		line, err := os.ReadFile(name)
		if err != nil || !strings.Contains(string(line), "--user-data-dir="+profile) {
			continue // gone meanwhile, or another's
		}
		process, err := strconv.Atoi(strings.Split(name, "/")[2])
		if err != nil {
			return nil, err
		}
		out = append(out, process)
	}
	return out, nil
}

// keepMany is what a phone does in one stretch: it makes records and keeps them,
// and sends twice at once, while the network comes and goes.
const keepMany = `(async (from, to) => {
	const q = await import("/static/queue.js");
	window.done = 0;
	for (let i = from; i < to; i++) {
		await q.keep([{ type: "calibration", id: "phone-" + i, machine: "K-07", time: new Date(1772000000000 + 60000 * i).toISOString(), passed: i % 7 > 0, attempts: 1 + i % 3 }]);
		window.done++;
		if (i % 10 === 0) { q.send().catch(() => {}); q.send().catch(() => {}); }
	}
	return window.done;
})`

// season is a phone and an agent over a stretch of bad network.
type season struct {
	t    *testing.T
	kept *storetest.Memory
	hole *hole
	url  string
}

// newSeason starts an agent with this handler around its pages.
func newSeason(t *testing.T, around func(http.Handler) http.Handler) *season {
	t.Helper()
	s := &season{t: t, kept: &storetest.Memory{}}
	in := intake.New(s.kept, time.Now, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() { _ = in.Run(ctx) })
	t.Cleanup(func() { stop(); run.Wait() })
	server := serverFor(t, yard())
	server.Intake, server.Now = in, time.Now
	s.hole = &hole{Handler: around(server.Handler())}
	s.url = serve(t, s.hole)
	return s
}

// serve serves a handler until the test ends, and returns where.
func serve(t *testing.T, h http.Handler) (url string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	web := &http.Server{Handler: h}
	go func() { _ = web.Serve(listener) }()
	t.Cleanup(func() { _ = web.Close() })
	return "http://" + listener.Addr().String()
}

// run makes so many entries, with pages reloaded and the browser killed now and
// then, records sent twice and answers lost, and then sends the rest. It returns
// how many were lost and how many doubled.
func (s *season) run(entries, killEach int) (lost, doubled int) {
	s.t.Helper()
	const stretch = 20
	profile := s.t.TempDir()
	b := phoneOn(s.t, profile, s.url)
	b.show("/log?choose=1")
	b.served()
	kills, reloads := 0, 0
	for from := 0; from < entries; from += stretch {
		s.hole.gone.Store(from%100 < 80) // the network is there for one stretch of five
		// Three: a browser sends again by itself what a connection in use does not answer.
		s.hole.lose.Store(3)
		stretched := fmt.Sprintf("%s(%d, %d)", keepMany, from, min(from+stretch, entries))
		if from/stretch%killEach == killEach-3 { // the battery dies in the middle of it
			look[int](b, stretched+"; 0")
			b.until(`window.done > 5`)
			safe := look[int](b, "window.done")
			b.kill(profile)
			b = phoneOn(s.t, profile, s.url)
			b.show("/log?choose=1")
			waiting := look[[]string](b, `import("/static/queue.js").then(q => q.waiting()).then(all => all.map(item => item.id))`)
			for i := from; i < from+safe; i++ {
				_, arrived, err := s.kept.Find("K-07", "phone-"+strconv.Itoa(i))
				require.NoError(s.t, err)
				assert.True(s.t, arrived || slices.Contains(waiting, "phone-"+strconv.Itoa(i)), "what was reported as kept survives the kill: %d", i)
			}
			kills++ // and the person enters it all once more
		}
		look[int](b, stretched)
		b.show("/log?choose=1")
		reloads++
	}
	s.hole.gone.Store(false)
	b.show("/log?choose=1")
	b.until(`import("/static/queue.js").then(async q => { await q.send().catch(() => {}); return (await q.waiting()).length === 0; })`)
	b.kill(profile)
	lost, doubled = s.count(entries)
	s.t.Logf("%d entries, %d reloads, %d kills, %d uploads: %d lost, %d doubled", entries, reloads, kills, s.hole.posted.Load(), lost, doubled)
	return lost, doubled
}

// count compares what was entered with what the agent has.
func (s *season) count(entries int) (lost, doubled int) {
	s.t.Helper()
	history, err := s.kept.History("K-07")
	require.NoError(s.t, err)
	times := map[string]int{} // every entry has a minute of its own
	for i := range history {
		times[history[i].Time.UTC().Format(time.RFC3339)]++
	}
	for i := range entries {
		n := times[time.UnixMilli(1772000000000+60000*int64(i)).UTC().Format(time.RFC3339)]
		if n == 0 {
			lost++
		}
		doubled += max(n-1, 0)
	}
	return lost, doubled
}

func untouched(h http.Handler) http.Handler { return h }

// A thousand entries made without a network, with pages reloaded and browsers
// killed, sent twice and answers lost: none is lost, none doubled. More with
// ARCDRIFT_PHONE_ENTRIES.
func TestThousandEntriesOffline(t *testing.T) {
	entries := 1000
	if n, err := strconv.Atoi(os.Getenv("ARCDRIFT_PHONE_ENTRIES")); err == nil && n > entries {
		entries = n
	}
	s := newSeason(t, untouched)
	lost, doubled := s.run(entries, 10)
	assert.Zero(t, lost)
	assert.Zero(t, doubled)
	conflicts, err := s.kept.Conflicts()
	require.NoError(t, err)
	assert.Empty(t, conflicts)
}

// altered gives a queue of the phone in which one thing was made bad.
func altered(t *testing.T, was, is string) func(http.Handler) http.Handler {
	t.Helper()
	whole, err := fs.ReadFile(dashboards.Static(), "queue.js")
	require.NoError(t, err)
	bad := strings.Replace(string(whole), was, is, 1)
	require.NotEqual(t, string(whole), bad)
	return func(h http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if !strings.HasPrefix(r.URL.Path, "/static/") || !strings.HasSuffix(r.URL.Path, "/queue.js") {
				h.ServeHTTP(w, r)
				return
			}
			w.Header().Set("Content-Type", "text/javascript")
			_, _ = io.WriteString(w, bad)
		})
	}
}

// loseDatabase makes entries without a network, kills the browser and takes its
// database away, as it does itself when it finds it damaged. It returns the
// browser started anew.
func (s *season) loseDatabase(entries int) (b *tab, profile string) {
	s.t.Helper()
	profile = s.t.TempDir()
	b = phoneOn(s.t, profile, s.url)
	b.show("/log?choose=1")
	b.served()
	s.hole.gone.Store(true)
	look[int](b, fmt.Sprintf("%s(0, %d)", keepMany, entries))
	b = s.without(b, profile)
	return b, profile
}

// without is the browser started anew without its database.
func (s *season) without(b *tab, profile string) *tab {
	s.t.Helper()
	b.kill(profile)
	folders, err := filepath.Glob(filepath.Join(profile, "Default", "IndexedDB", "*"))
	require.NoError(s.t, err)
	require.NotEmpty(s.t, folders, "there is a database to lose")
	for _, folder := range folders {
		require.NoError(s.t, os.RemoveAll(folder))
	}
	b = phoneOn(s.t, profile, s.url)
	b.show("/log?choose=1")
	return b
}

const howMany = `import("/static/queue.js").then(q => q.waiting()).then(all => all.length)`

// What was kept outlives the loss of the browser's whole database, and what the
// agent has a receipt for or was taken back does not come back with it.
func TestQueueOutlivesTheDatabase(t *testing.T) {
	s := newSeason(t, untouched)
	b, profile := s.loseDatabase(30)
	assert.Equal(t, 30, look[int](b, howMany))
	look[int](b, `import("/static/queue.js").then(async q => q.takeBack((await q.waiting()).find(item => item.id === "phone-7").record)).then(() => 0)`)
	b = s.without(b, profile)
	assert.Equal(t, 29, look[int](b, howMany), "taken back for good")
	s.hole.gone.Store(false)
	b.until(`import("/static/queue.js").then(async q => { await q.send().catch(() => {}); return (await q.waiting()).length === 0; })`)
	b = s.without(b, profile)
	assert.Zero(t, look[int](b, howMany), "sent for good")
	b.kill(profile)
	lost, doubled := s.count(30)
	assert.Equal(t, 1, lost, "what was taken back")
	assert.Zero(t, doubled)
}

// The season finds out a phone that forgets an entry before its receipt, one
// that gives it another id each time it is sent, and one that keeps it in one
// place only.
func TestBadQueuesAreFoundOut(t *testing.T) {
	const sends = "const receipts = await post(due.map((item) => item.record));"
	for name, c := range map[string]struct {
		is            string
		lost, doubled bool
	}{
		"forgets before the receipt": {"await drop(due.map((item) => item.record)); " + sends, true, false},
		"another id each time": {
			`const receipts = await post(due.map((item) => ({ ...item.record, id: item.id + "-" + Math.random() }))).then((all) => Object.fromEntries(Object.entries(all).map(([id, r]) => [id.replace(/-0\..*/, ""), r])));`, false, true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			lost, doubled := newSeason(t, altered(t, sends, c.is)).run(100, 100)
			assert.Equal(t, c.lost, lost > 0, "lost: %d", lost)
			assert.Equal(t, c.doubled, doubled > 0, "doubled: %d", doubled)
		})
	}
	t.Run("one place only", func(t *testing.T) {
		b, profile := newSeason(t, altered(t, "cache?.put(place(item.id), new Response(JSON.stringify(item)))", "undefined")).loseDatabase(30)
		assert.Zero(t, look[int](b, howMany))
		b.kill(profile)
	})
}
