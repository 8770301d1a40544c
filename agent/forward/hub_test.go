package forward

import (
	"context"
	"errors"
	"io"
	"log"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/agent/web"
	"arcdrift/drift"
)

// Every store that passes the suite can be forwarded.
var _ Store = storetest.Forwarding(nil)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// agent is a store with its door and its HTTP face.
type agent struct {
	store *store.Store
	door  *intake.Handler
	url   string
	// server is who speaks at the url.
	server *httptest.Server
	stop   func()
}

// clock is later than whatever is sent in these tests.
func clock() time.Time { return storetest.Received().AddDate(0, 1, 0) }

func newAgent(t *testing.T, path string) *agent {
	t.Helper()
	return newAgentBehind(t, path, (*httptest.Server).Start)
}

// newAgentBehind begins its HTTP face as told, with TLS or without.
func newAgentBehind(t *testing.T, path string, begin func(*httptest.Server)) *agent {
	t.Helper()
	s, err := store.Open(path, clock, store.Options{})
	require.NoError(t, err)
	a := &agent{store: s, door: intake.New(s, clock, func([]drift.Entry) {})}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.door.Run(ctx) }()
	server := httptest.NewUnstartedServer(faceOf(t, a, path+".access"))
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // handshakes that are cut
	begin(server)
	a.url, a.server = server.URL, server
	var once sync.Once
	a.stop = func() {
		once.Do(func() {
			server.Close()
			cancel()
			require.NoError(t, <-done)
			require.NoError(t, s.Close())
		})
	}
	t.Cleanup(a.stop)
	return a
}

// faceOf is one run of the agent's HTTP face.
func faceOf(t *testing.T, a *agent, access string) http.Handler {
	t.Helper()
	accounts, err := auth.Open(access)
	require.NoError(t, err)
	guard := auth.NewAuthenticator(accounts, auth.Policy{}, clock)
	face, err := web.New(web.Config{Authenticator: guard, Intake: a.door, People: a.store, Now: clock, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	return face.Handler()
}

func newStore(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(filepath.Join(t.TempDir(), "van.db"), clock, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// fill puts n records of three machines into a store, from the given number on,
// with what is out of the ordinary among them: conflicts, setups of a fleet,
// possible repeats and refusals, one of which comes three times.
func fill(t *testing.T, s *store.Store, from, n int) {
	t.Helper()
	for at := from; at < from+n; at += 100 {
		var entries []drift.Entry
		for i := at; i < min(at+100, from+n); i++ {
			e := storetest.Calibration([]string{"K-07", "K-08", "K-11"}[i%3], i)
			e.Received = e.Received.Add(time.Duration(i) * time.Second)
			e.Via = "mqtt"
			entries = append(entries, e)
		}
		clash := entries[0]
		clash.Operator = "another"
		repeat := entries[1]
		repeat.ID, repeat.Time, repeat.PossibleRepeat = "made-up-"+entries[1].ID[:8], time.Time{}, true
		setup := drift.Entry{Record: drift.Record{Type: drift.TypeSetup, Time: entries[0].Time, ID: "setup-" + entries[0].ID[:8],
			Setup: &drift.Setup{Scope: drift.ScopeFleet, CheckMinutes: drift.Some(float64(5 + at%7))}}, Received: entries[0].Received, Via: "form"}
		refused := drift.Refusal{Machine: "K-07", Via: "mqtt", Raw: []byte("{\x00" + entries[0].ID), Size: 66, Time: entries[0].Received, Last: entries[0].Received, Times: 1,
			Problem: drift.Problem{Reason: "is cut short"}}
		again := refused
		again.Raw, again.Size = []byte("always"), 6
		_, err := s.Append(append(entries, clash, repeat, setup), []drift.Refusal{refused, again})
		require.NoError(t, err)
	}
}

// equal demands that the hub holds what the van holds, once.
func equal(t *testing.T, van, hub *store.Store) {
	t.Helper()
	require.NoError(t, differ(van, hub))
}

// differ says how two stores differ in what was taken and refused.
func differ(van, hub *store.Store) error {
	for _, s := range []*store.Store{van, hub} {
		if r, err := s.Verify(); err != nil || r.First != nil {
			return errors.Join(errors.New("not sound"), err, r.First)
		}
	}
	a, errA := van.Digests()
	b, errB := hub.Digests()
	if err := errors.Join(errA, errB); err != nil {
		return err
	}
	for machine, want := range a {
		if b[machine] != want {
			return errors.New("the records of machine " + machine + " differ")
		}
	}
	if len(a) != len(b) {
		return errors.New("the machines differ")
	}
	refusedA, errA := van.RefusedDigest()
	refusedB, errB := hub.RefusedDigest()
	if err := errors.Join(errA, errB); err != nil {
		return err
	}
	if refusedA != refusedB {
		return errors.New("the refused lists differ")
	}
	return nil
}

// forwarder sends s to the hub; its steps are the test's to take.
func forwarder(hub Hub, s Store) *Forwarder { return New(hub, s, slog.New(slog.DiscardHandler)) }

// catchUp steps until all is sent or too many steps failed, and returns how many
// did.
func catchUp(t *testing.T, f *Forwarder, most int) int {
	t.Helper()
	for failed := 0; ; {
		more, err := f.step(t.Context())
		if f.after(more, err); err != nil {
			failed++
			require.Less(t, failed, most, "it never catches up: %v", err)
			continue
		}
		if !more {
			return failed
		}
	}
}
