package alerting

import (
	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
	"arcdrift/agent/notify"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// moment is now in these tests, a Monday, 18:00 UTC.
var moment = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// emptyAlerting is the alerts of a store without a fleet.
func emptyAlerting(t *testing.T, s *store.Store, sources map[string]time.Time) *engine {
	raw := Defaults()
	c, err := raw.Config(false)
	require.NoError(t, err)
	now := func() time.Time { return moment }
	quiet := slog.New(slog.NewTextHandler(t.Output(), nil))
	a, err := newEngine(c, Using{
		Store: s, Fleet: fleet.New(store.NewReader(s, func(string) {}), now, quiet),
		Sources: func() map[string]time.Time { return sources }, Now: now, Log: quiet,
	})
	require.NoError(t, err)
	return a
}

// People read a webhook, in one message what goes together; an Alertmanager groups by
// itself.
func TestChannelsOfPeopleGetWhatGoesTogether(t *testing.T) {
	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte("whsec_"+base64.StdEncoding.EncodeToString(make([]byte, 24))), 0o600))
	raw := Defaults()
	raw.Channels, raw.Secrets = []string{"hook=http://127.0.0.1:9/", "gone=alertmanager+http://127.0.0.1:9"}, []string{"hook=" + file}
	c, err := raw.Config(false)
	require.NoError(t, err)
	a, err := newEngine(c, Using{Store: openStore(t), Now: func() time.Time { return moment }})
	require.NoError(t, err)
	assert.Equal(t, []string{"hook"}, a.policy.Together)
}

func openStore(t *testing.T) *store.Store {
	s, err := store.Open(filepath.Join(t.TempDir(), "arcdrift.db"), func() time.Time { return moment }, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// What the bench found, as the store has kept it, decides whether a rule sends:
// Beta(8, 2) with 2 right and 1 wrong has the mean 10/13 < 0.8, with 5 right and
// 1 wrong 13/16 ≥ 0.8.
func TestRulesEarnTheirSending(t *testing.T) {
	s := openStore(t)
	end := func(findings ...drift.Finding) float64 {
		var ended [][]byte
		for _, f := range findings {
			raw, err := json.Marshal(alert.Outcome{Rule: alert.ElectrodesDue, Finding: f})
			require.NoError(t, err)
			ended = append(ended, raw)
		}
		require.NoError(t, s.Decide([]byte("{}"), ended, nil))
		return emptyAlerting(t, s, nil).current().Right[alert.ElectrodesDue]
	}
	assert.InDelta(t, 0.8, end(), 1e-12, "nothing seen yet")
	assert.InDelta(t, 10.0/13, end(drift.Worn, drift.Dirty, drift.Fine), 1e-12)
	assert.InDelta(t, 13.0/16, end(drift.Worn, drift.Worn, drift.Worn, drift.OtherFault), 1e-12)
	assert.InDelta(t, 0.9, emptyAlerting(t, s, nil).current().Right[alert.MustStop], 1e-12, "each rule for itself")
}

// A service is new once, and none is at the first step after a start.
func TestServicesThatAreNews(t *testing.T) {
	snapshot := func(hours map[string]int) *fleet.Snapshot {
		s := openStore(t)
		var entries []drift.Entry
		for _, name := range []string{"K-07", "K-08"} {
			r := drift.Record{Type: drift.TypeUsage, Machine: name, ID: "used " + name, Time: moment.Add(-24 * time.Hour), ArcCount: drift.Some(int64(5))}
			entries = append(entries, drift.Entry{Record: r, Received: moment, Via: "import"})
			if h, ok := hours[name]; ok {
				r := drift.Record{Type: drift.TypeService, Machine: name, ID: "served " + name, Time: moment.Add(time.Duration(h) * time.Hour), Service: &drift.Service{Action: drift.Cleaned}}
				entries = append(entries, drift.Entry{Record: r, Received: r.Time, Via: "import"})
			}
		}
		_, err := s.Append(entries, nil)
		require.NoError(t, err)
		at, err := fleet.At(store.NewReader(s, func(string) {}), moment.Add(3*time.Hour))
		require.NoError(t, err)
		return at
	}
	fresh := func(now, before *fleet.Snapshot) (names []string) {
		a := &engine{seen: before}
		for _, m := range a.machinesOf(now) {
			if m.Service.Fresh {
				names = append(names, m.Machine)
			}
		}
		slices.Sort(names)
		return names
	}
	first := snapshot(map[string]int{"K-07": 1})
	assert.Empty(t, fresh(first, nil))
	assert.Empty(t, fresh(snapshot(map[string]int{"K-07": 1}), first))
	assert.Equal(t, []string{"K-07", "K-08"}, fresh(snapshot(map[string]int{"K-07": 2, "K-08": -5}), first), "the latter was logged late")
	assert.Empty(t, fresh(snapshot(map[string]int{"K-07": 0}), first), "the newest was taken back by a correction")
}

// A source that last sent something on Friday has been
// quiet for less than a working day until Monday at the same time of day.
func TestDaysOffDoNotCount(t *testing.T) {
	friday := moment.AddDate(0, 0, -3)
	for since, want := range map[time.Duration]time.Duration{0: 72 * time.Hour, 48 * time.Hour: 48 * time.Hour, 72 * time.Hour: 24 * time.Hour} {
		a := emptyAlerting(t, openStore(t), map[string]time.Time{"mqtt": friday.Add(since)})
		assert.Equal(t, want, a.sourcesAt(moment)[0].Limit, "%s", since)
	}
}

// A message that was delivered and could not be removed from the outbox is removed later and not
// sent again.
func TestDeliveredButNotSettled(t *testing.T) {
	s := openStore(t)
	box := newOutbox(s)
	item := notify.Items([]alert.Action{{Key: "k", To: []string{"hook"}}})[0]
	p, err := outboxItem(item)
	require.NoError(t, err)
	require.NoError(t, s.Decide([]byte("{}"), nil, []store.OutboxItem{p}))
	got, any, err := box.Oldest("hook")
	require.NoError(t, err)
	require.True(t, any)
	assert.Equal(t, item, got)
	box.late["hook"] = got.Key // as a failed Settle leaves it
	_, any, err = box.Oldest("hook")
	require.NoError(t, err)
	assert.False(t, any)
	assert.Empty(t, box.late)
}

func TestSettleThatFailsIsRemembered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "arcdrift.db")
	s, err := store.Open(path, time.Now, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	box := newOutbox(s)
	require.Error(t, box.Settle(notify.Item{Key: "k", Channel: "hook"}), "the store is closed")
	assert.Equal(t, map[string]string{"hook": "k"}, box.late)
	_, _, err = box.Oldest("hook")
	assert.Error(t, err, "nothing is sent before it is settled")
}

func TestRetryUntilItWorks(t *testing.T) {
	n := 0
	require.NoError(t, retry(t.Context(), time.Nanosecond, func() error {
		if n++; n < 3 {
			return errors.New("not yet")
		}
		return nil
	}))
	assert.Equal(t, 3, n)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, retry(ctx, time.Hour, func() error { return errors.New("never") }))
}
