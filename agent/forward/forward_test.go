package forward

import (
	"bytes"
	"compress/gzip"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/roadtest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func TestAllIsSentOnce(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	fill(t, van, 0, 1300)
	f := forwarder(Hub{URL: hub.url}, van)
	defer f.hub.close()
	require.Zero(t, catchUp(t, f, 1))
	equal(t, van, hub.store)

	fill(t, van, 1300, 10)
	require.Zero(t, catchUp(t, f, 1))
	equal(t, van, hub.store)
	all, err := hub.store.Since(0, 0, 1)
	require.NoError(t, err)
	assert.Equal(t, "forward", all[0].Via)
	assert.Equal(t, storetest.Received(), all[0].Received, "what could be known when stays as it was")

	// A van that has forgotten how far it was sends again, and nothing is doubled.
	again := forwarder(Hub{URL: hub.url + "/"}, &forgetful{van})
	defer again.hub.close()
	require.Zero(t, catchUp(t, again, 1))
	equal(t, van, hub.store)
}

// forgetful is a store whose cursor stands at the beginning.
type forgetful struct{ *store.Store }

func (f *forgetful) Cursor(string) (store.Cursor, error)      { return store.Cursor{}, nil }
func (f *forgetful) SetCursor(_ string, _ store.Cursor) error { return nil }

// On a network that cuts connections in the middle of greetings, questions and
// answers, or lets them fall silent, nothing is lost and nothing is doubled.
func TestBrokenNetwork(t *testing.T) {
	for scheme, begin := range map[string]func(*httptest.Server){"http": (*httptest.Server).Start, "https": (*httptest.Server).StartTLS} {
		t.Run(scheme, func(t *testing.T) {
			breaks, want, seed := 0, faulttest.Rounds(t, 25), uint64(0)
			for ; breaks < want; seed++ {
				van, hub := newStore(t), newAgentBehind(t, filepath.Join(t.TempDir(), "hub.db"), begin)
				fill(t, van, 0, 1000)
				r := roadtest.New(t, hub.server.Listener.Addr().String(), longestWay, seed)
				f := forwarder(Hub{URL: scheme + "://" + r.Addr(), Transport: closing(hub)}, van)
				f.hub.http.Timeout = 500 * time.Millisecond // for what falls silent
				for range 12 {
					more, err := f.step(t.Context())
					f.after(more, err)
				}
				r.Repair()
				f.hub.http.Timeout = patience
				catchUp(t, f, 3)
				equal(t, van, hub.store)
				breaks += r.Breaks()
				hub.stop()
			}
			faulttest.Bound(t, fmt.Sprintf("broken connections with a record lost or doubled, seeds 0 to %d", seed-1), breaks)
		})
	}
}

// longestWay is how many bytes a connection passes, at most, before it breaks.
const longestWay = 24 << 10

// closing is a transport to the hub that opens a connection for every request,
// so that many can break.
func closing(hub *agent) *http.Transport {
	way := &http.Transport{DisableKeepAlives: true}
	if cert := hub.server.Certificate(); cert != nil {
		known := x509.NewCertPool()
		known.AddCert(cert)
		way.TLSClientConfig = &tls.Config{RootCAs: known}
	}
	return way
}

// hasty answers for the hub, before the hub has anything: as if the cursor moved
// before the receipt.
type hasty struct{ http.RoundTripper }

func (h hasty) RoundTrip(r *http.Request) (*http.Response, error) {
	raw, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	sent := r.Clone(r.Context())
	sent.Body = io.NopCloser(bytes.NewReader(raw))
	if resp, err := h.RoundTripper.RoundTrip(sent); err == nil {
		_ = resp.Body.Close() // whatever it says
	}
	z, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		return nil, err
	}
	var answer strings.Builder
	n := 0
	for dec := json.NewDecoder(z); ; {
		var record struct{ ID string }
		if dec.Decode(&record) != nil {
			break
		}
		n++
		fmt.Fprintf(&answer, `{"line":%d,"id":%q,"epoch":1,"seq":%d}`+"\n", n, record.ID, n)
	}
	if r.URL.Path != "/api/v1/records" {
		answer.Reset()
		fmt.Fprintf(&answer, `{"kept":%d}`, n)
	}
	return &http.Response{StatusCode: http.StatusCreated, Body: io.NopCloser(strings.NewReader(answer.String()))}, nil
}

// TestBrokenNetworkControl: if the cursor moved without receipts, the test above
// would see the loss.
func TestBrokenNetworkControl(t *testing.T) {
	lost := error(nil)
	for seed := uint64(0); lost == nil && seed < 20; seed++ {
		van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
		fill(t, van, 0, 1000)
		r := roadtest.New(t, hub.server.Listener.Addr().String(), longestWay, seed)
		f := forwarder(Hub{URL: "http://" + r.Addr(), Transport: hasty{closing(hub)}}, van)
		f.hub.http.Timeout = 500 * time.Millisecond
		for range 12 {
			more, err := f.step(t.Context())
			f.after(more, err)
		}
		r.Repair()
		f.hub.http.Timeout = patience
		catchUp(t, f, 3)
		lost = differ(van, hub.store)
	}
	require.Error(t, lost, "records that never reached the hub were not missed")
}

// A hub that has lost what it confirmed, by an old copy or a new disk, gets it
// again.
func TestHubThatLostRecords(t *testing.T) {
	for name, forget := range map[string]func(t *testing.T, db, old string){
		"old copy": func(t *testing.T, db, old string) {
			f, err := os.Open(old)
			require.NoError(t, err)
			defer func() { require.NoError(t, f.Close()) }()
			_, err = store.Restore(f, db, clock())
			require.NoError(t, err)
		},
		"new disk": func(t *testing.T, db, _ string) {
			require.NoError(t, os.Remove(db))
			require.NoError(t, os.Remove(db+".witness"))
		},
	} {
		for _, running := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, van running %t", name, running), func(t *testing.T) {
				db, old := filepath.Join(t.TempDir(), "hub.db"), filepath.Join(t.TempDir(), "old.db")
				van, hub := newStore(t), newAgent(t, db)
				fill(t, van, 0, 300)
				way := &detour{to: hub.url}
				f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
				require.Zero(t, catchUp(t, f, 1))
				require.NoError(t, hub.store.BackupFile(old))
				fill(t, van, 300, 300)
				require.Zero(t, catchUp(t, f, 1))
				equal(t, van, hub.store)
				hub.stop()
				forget(t, db, old)

				hub = newAgent(t, db)
				way.to = hub.url
				if !running {
					at, err := van.Cursor("http://hub.example")
					require.NoError(t, err)
					f = forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
					f.at = at
				}
				fill(t, van, 600, 10)
				catchUp(t, f, 1)
				equal(t, van, hub.store)
			})
		}
	}
}

// recorder keeps what went to the hub, as somebody on the way could.
type recorder struct {
	to   http.RoundTripper
	sent []recorded
}

type recorded struct {
	url    string
	header http.Header
	body   []byte
}

func (r *recorder) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	r.sent = append(r.sent, recorded{req.URL.String(), req.Header.Clone(), body})
	req.Body = io.NopCloser(bytes.NewReader(body))
	return r.to.RoundTrip(req)
}

// What was sent to the hub may come again, all of it, many times and in any order:
// nothing is there twice and nothing changes.
func TestReplayAtTheHub(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	fill(t, van, 0, 300)
	r := &recorder{to: http.DefaultTransport}
	f := forwarder(Hub{URL: hub.url, Transport: r}, van)
	f.batch = 50
	require.Zero(t, catchUp(t, f, 1))
	equal(t, van, hub.store)
	before, err := hub.store.Stats()
	require.NoError(t, err)
	require.Greater(t, len(r.sent), 3)
	random := rand.New(rand.NewPCG(10, 10))
	n := faulttest.Rounds(t, 100)
	for range n {
		one := r.sent[random.IntN(len(r.sent))]
		req, err := http.NewRequest(http.MethodPost, one.url, bytes.NewReader(one.body))
		require.NoError(t, err)
		req.Header = one.header
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		_, err = io.Copy(io.Discard, resp.Body)
		require.NoError(t, errors.Join(err, resp.Body.Close()))
	}
	after, err := hub.store.Stats()
	require.NoError(t, err)
	assert.Equal(t, before.Entries, after.Entries)
	assert.Equal(t, before.Conflicts, after.Conflicts)
	assert.Equal(t, before.Refused, after.Refused)
	equal(t, van, hub.store)
	faulttest.Bound(t, "requests that came again and changed the hub", n)
}

// A van that has nothing to send asks at times, and so finds that its hub was put
// back to an old copy: before, it found out with its next record, which a parked van
// has in spring.
func TestAQuietVanNoticesThatItsHubLostRecords(t *testing.T) {
	db, old := filepath.Join(t.TempDir(), "hub.db"), filepath.Join(t.TempDir(), "old.db")
	van, hub := newStore(t), newAgent(t, db)
	fill(t, van, 0, 100)
	way := &detour{to: hub.url}
	f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
	require.Zero(t, catchUp(t, f, 1))
	require.NoError(t, hub.store.BackupFile(old))
	fill(t, van, 100, 100)
	require.Zero(t, catchUp(t, f, 1))
	had, err := hub.store.Stats()
	require.NoError(t, err)
	hub.stop()
	from, err := os.Open(old)
	require.NoError(t, err)
	_, err = store.Restore(from, db, clock())
	require.NoError(t, errors.Join(err, from.Close()))
	hub = newAgent(t, db)
	way.to = hub.url

	_, err = f.step(t.Context())
	require.NoError(t, err)
	stats, err := hub.store.Stats()
	require.NoError(t, err)
	require.Less(t, stats.Entries, had.Entries, "it does not ask all the time")
	f.askEvery = 0
	for range 5 {
		_, err = f.step(t.Context())
		require.NoError(t, err)
	}
	equal(t, van, hub.store)
}

// What can be seen of sending: whether the hub took what came last and else why, what
// waits and since when, and what was refused.
func TestStatus(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	fill(t, van, 0, 10)
	way := &detour{to: "http://127.0.0.1:1"}
	f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
	logged := &strings.Builder{}
	f.log = slog.New(slog.NewTextHandler(logged, nil))
	for range 3 {
		f.after(f.step(t.Context()))
	}
	s, err := f.Status()
	require.NoError(t, err)
	assert.False(t, s.Up)
	assert.Contains(t, s.Why, "nothing listens on that address and port")
	assert.Equal(t, 1, strings.Count(logged.String(), "does not take records"), "once: %s", logged)
	assert.Zero(t, s.Sent)
	assert.False(t, s.Oldest.IsZero())
	way.to = hub.url
	f.after(f.step(t.Context()))
	s, err = f.Status()
	require.NoError(t, err)
	held, err := van.Stats()
	require.NoError(t, err)
	assert.Equal(t, Status{Up: true, Sent: held.Seq}, s)
}

// detour leads to the hub wherever it is now.
type detour struct{ to string }

func (d *detour) RoundTrip(r *http.Request) (*http.Response, error) {
	there := r.Clone(r.Context())
	there.URL.Host = strings.TrimPrefix(d.to, "http://")
	there.Host = ""
	there.Close = true
	return http.DefaultTransport.RoundTrip(there)
}

// A hub that answers anything but receipts moves nothing.
func TestNoReceiptNoMove(t *testing.T) {
	for name, reply := range map[string]struct {
		status int
		body   string
	}{
		"nothing":         {http.StatusCreated, ``},
		"no receipt":      {http.StatusCreated, `{}`},
		"another's":       {http.StatusCreated, `{"line":1,"id":"another","epoch":1,"seq":1}`},
		"a line too few":  {http.StatusCreated, `{"line":1,"id":"a","epoch":1,"seq":1}`},
		"lines exchanged": {http.StatusCreated, `{"line":2,"id":"b","epoch":1,"seq":1}{"line":1,"id":"a","epoch":1,"seq":2}`},
		"a login page":    {http.StatusOK, `<html>`},
		"refused whole":   {http.StatusBadRequest, `{"field":null,"reason":"no"}`},
		"forbidden":       {http.StatusForbidden, `no`},
		"elsewhere":       {http.StatusFound, `no`},
		"too large":       {http.StatusRequestEntityTooLarge, `no`},
	} {
		t.Run(name, func(t *testing.T) {
			hub := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				w.WriteHeader(reply.status)
				_, _ = io.WriteString(w, reply.body) // the test says if it is missed
			}))
			defer hub.Close()
			van := newStore(t)
			a, b := storetest.Calibration("K-07", 1), storetest.Calibration("K-07", 2)
			a.ID, b.ID = "a", "b"
			_, err := van.Append([]drift.Entry{a, b}, nil)
			require.NoError(t, err)
			f := forwarder(Hub{URL: hub.URL}, van)
			defer f.hub.close()
			_, err = f.step(t.Context())
			require.Error(t, err)
			at, err := van.Cursor(hub.URL)
			require.NoError(t, err)
			assert.Zero(t, at)
		})
	}
}

func TestBusyHubIsGivenTime(t *testing.T) {
	hub := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "40")
		w.WriteHeader(http.StatusServiceUnavailable)
	}))
	defer hub.Close()
	van := newStore(t)
	fill(t, van, 0, 2)
	f := forwarder(Hub{URL: hub.URL}, van)
	defer f.hub.close()
	more, err := f.step(t.Context())
	require.Error(t, err)
	assert.GreaterOrEqual(t, f.after(more, err), 40*time.Second)
	assert.Equal(t, maxBatch/2, f.batch, "the next is smaller")
}

// The pauses are spread over all of a rising bound, so that vans which lost the
// hub together do not come back together.
func TestPausesRiseAndSpread(t *testing.T) {
	f := forwarder(Hub{URL: "http://hub.example"}, nil)
	longest := time.Duration(0)
	short := 0
	for range 2000 {
		p := f.after(false, io.ErrUnexpectedEOF)
		require.LessOrEqual(t, p, longestPause)
		longest = max(longest, p)
		if p < longestPause/2 {
			short++
		}
	}
	assert.Greater(t, longest, longestPause*9/10)
	assert.InDelta(t, 1000, short, 200, "half of them in the shorter half; five standard deviations are 112")
	assert.Equal(t, 1, f.batch)
	assert.Equal(t, idle, f.after(false, nil))
	assert.Equal(t, 2, f.batch)
	assert.Less(t, f.after(false, io.ErrUnexpectedEOF), firstPause, "and begin anew")
}

// An entry that the van's disk has corrupt does not hold up those behind it.
func TestCorruptEntryIsSkipped(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	fill(t, van, 0, 30)
	f := forwarder(Hub{URL: hub.url}, corrupt{van, 7})
	defer f.hub.close()
	require.Zero(t, catchUp(t, f, 1))
	ours, err := van.Stats()
	require.NoError(t, err)
	theirs, err := hub.store.Stats()
	require.NoError(t, err)
	assert.Equal(t, ours.Entries-1, theirs.Entries)
}

// corrupt is a store whose entry of that number cannot be read.
type corrupt struct {
	*store.Store
	seq uint64
}

func (s corrupt) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	all, err := s.Store.SincePseudonymous(epoch, seq, limit)
	for i, e := range all {
		if e.StoreSeq == s.seq {
			return all[:i], &store.Damage{Machine: e.Machine, Epoch: e.StoreEpoch, Seq: e.StoreSeq, Meaning: "is corrupt"}
		}
	}
	return all, err
}

// What the hub refuses is kept there among the refused, and what is behind it
// goes on.
func TestHubRefuses(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	newer := storetest.Calibration("K-07", 1)
	newer.Machine = "no name" // as a rule of tomorrow's might allow
	_, err := van.Append([]drift.Entry{newer, storetest.Calibration("K-07", 2)}, nil)
	require.NoError(t, err)
	lenient := &renaming{van}
	f := forwarder(Hub{URL: hub.url}, lenient)
	defer f.hub.close()
	require.Zero(t, catchUp(t, f, 1))
	stats, err := hub.store.Stats()
	require.NoError(t, err)
	assert.EqualValues(t, 1, stats.Entries)
	assert.EqualValues(t, 1, stats.Refused)
	status, err := f.Status()
	require.NoError(t, err)
	assert.EqualValues(t, 1, status.Refused)
}

// renaming reads what this version cannot.
type renaming struct{ *store.Store }

func (r *renaming) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	all, err := r.Store.SincePseudonymous(epoch, seq, limit)
	if len(all) == 0 && seq == 0 {
		e := storetest.Calibration("no name", 1)
		e.StoreEpoch, e.StoreSeq = 1, 1
		return []drift.Entry{e}, nil
	}
	return all, err
}

// A clock that runs far ahead of the hub's is not believed; one that runs a
// little ahead is.
func TestArrivalIsNotInTheFuture(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	near, far := storetest.Calibration("K-07", 1), storetest.Calibration("K-07", 2)
	near.Received, far.Received = clock().Add(time.Minute), clock().Add(time.Hour)
	_, err := van.Append([]drift.Entry{near, far}, []drift.Refusal{})
	require.NoError(t, err)
	f := forwarder(Hub{URL: hub.url}, van)
	defer f.hub.close()
	require.Zero(t, catchUp(t, f, 1))
	got, err := hub.store.History("K-07")
	require.NoError(t, err)
	assert.Equal(t, near.Received, got[0].Received)
	assert.Equal(t, clock(), got[1].Received)
}
