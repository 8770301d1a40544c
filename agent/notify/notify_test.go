package notify_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// memory is an outbox without a disk. Items go through JSON, as in the store.
type memory struct {
	mu      sync.Mutex
	order   []string
	items   map[string][]byte
	settled map[string]notify.Item
	broken  error
}

func newMemory() *memory {
	return &memory{items: map[string][]byte{}, settled: map[string]notify.Item{}}
}

func (m *memory) put(items []notify.Item) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, item := range items {
		_, done := m.settled[item.Key]
		if _, there := m.items[item.Key]; there || done {
			continue
		}
		m.order = append(m.order, item.Key)
		m.items[item.Key] = encode(item)
	}
}

func encode(item notify.Item) []byte {
	text, err := json.Marshal(item)
	if err != nil {
		panic(err)
	}
	return text
}

func (m *memory) of(channel string) []notify.Item {
	var out []notify.Item
	for _, key := range m.order {
		if text, waits := m.items[key]; waits {
			var item notify.Item
			if err := json.Unmarshal(text, &item); err != nil {
				panic(err)
			}
			if item.Channel == channel {
				out = append(out, item)
			}
		}
	}
	return out
}

// oldest is the first item of a channel, which must be there.
func (m *memory) oldest(t *testing.T, channel string) notify.Item {
	item, any, err := m.Oldest(channel)
	require.NoError(t, err)
	require.True(t, any)
	return item
}

// end is what became of a settled item, and whether it is settled.
func (m *memory) end(key string) (notify.Item, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	item, settled := m.settled[key]
	return item, settled
}

func (m *memory) Oldest(channel string) (notify.Item, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if items := m.of(channel); len(items) > 0 {
		return items[0], true, m.broken
	}
	return notify.Item{}, false, m.broken
}

func (m *memory) Waiting(channel string) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.of(channel)), m.broken
}

func (m *memory) Retry(item notify.Item) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.items[item.Key] = encode(item)
	return m.broken
}

func (m *memory) Settle(item notify.Item) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.items, item.Key)
	m.settled[item.Key] = item
	return m.broken
}

// line is a channel that fails until it works, and keeps what it was given.
type line struct {
	mu    sync.Mutex
	fault error
	at    []time.Time
	got   []string
}

func (l *line) Send(_ context.Context, a alert.Action) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.at = append(l.at, time.Now())
	if l.fault == nil {
		l.got = append(l.got, a.Key)
	}
	return l.fault
}

func (l *line) Alone() bool { return false }

func (l *line) set(fault error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fault = fault
}

func (l *line) attempts() []time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.at)
}

func (l *line) delivered() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.got)
}

// run runs a notifier and returns how to stop it.
func run(t *testing.T, n *notify.Notifier) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- n.Run(ctx) }()
	return func() {
		cancel()
		require.NoError(t, <-done)
	}
}

func action(i int, to ...string) alert.Action {
	return alert.Action{Key: fmt.Sprintf("stop/K-07/%d/alert", i), Kind: alert.Alert, Subject: "K-07", At: time.Now(), To: to}
}

func quiet(t *testing.T) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

var errDown = errors.New("connection refused")

func TestDeliversInOrderToEachOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, mail, hook := newMemory(), &line{}, &line{}
		n := notify.New(box, map[string]notify.Channel{"mail": mail, "hook": hook}, quiet(t), time.Now)
		stop := run(t, n)
		defer stop()
		var actions []alert.Action
		for i := range 3 {
			actions = append(actions, action(i, "mail", "hook"))
		}
		actions = append(actions, action(3, "hook"))
		for range 2 { // the second time is a repeat, as after a restart
			box.put(notify.Items(actions))
			n.Wake()
			synctest.Wait()
		}
		want := []string{"stop/K-07/0/alert", "stop/K-07/1/alert", "stop/K-07/2/alert"}
		assert.Equal(t, want, mail.delivered())
		assert.Equal(t, append(want, "stop/K-07/3/alert"), hook.delivered())
	})
}

func TestTriesAgainUntilItGetsThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, hook, mail := newMemory(), &line{fault: errDown}, &line{}
		n := notify.New(box, map[string]notify.Channel{"hook": hook, "mail": mail}, quiet(t), time.Now)
		box.put(notify.Items([]alert.Action{action(0, "hook", "mail"), action(1, "hook")}))
		stop := run(t, n)
		defer stop()
		synctest.Wait()
		assert.Len(t, mail.delivered(), 1, "one channel's trouble is not another's")

		time.Sleep(notify.DeadAfter - time.Second)
		assert.Equal(t, []alert.Channel{{Name: "hook", Waiting: 2}, {Name: "mail"}}, health(t, n))
		time.Sleep(time.Second)
		assert.Equal(t, []alert.Channel{
			{Name: "hook", Waiting: 2, Dead: true, Why: "connection refused"}, {Name: "mail"},
		}, health(t, n), "a dead channel is an alert")

		// Pauses double from 5 s to 15 min, and jitter takes away up to half.
		at := hook.attempts()
		for i := range len(at) - 1 {
			full := min(5*time.Second<<i, 15*time.Minute)
			pause := at[i+1].Sub(at[i])
			assert.LessOrEqual(t, pause, full, "pause %d", i)
			assert.GreaterOrEqual(t, pause, full/2, "pause %d", i)
		}
		assert.Greater(t, len(at), 8)

		hook.set(nil)
		time.Sleep(15 * time.Minute)
		assert.Equal(t, []string{"stop/K-07/0/alert", "stop/K-07/1/alert"}, hook.delivered(), "in order")
		assert.Equal(t, []alert.Channel{{Name: "hook"}, {Name: "mail"}}, health(t, n))
	})
}

func health(t *testing.T, n *notify.Notifier) []alert.Channel {
	h, err := n.Health()
	require.NoError(t, err)
	return h
}

// What was on its way when the agent died goes on with the next one, which knows
// that the channel is dead without trying for half an hour.
func TestGoesOnAfterARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, hook := newMemory(), &line{fault: errDown}
		channels := map[string]notify.Channel{"hook": hook}
		box.put(notify.Items([]alert.Action{action(0, "hook")}))
		stop := run(t, notify.New(box, channels, quiet(t), time.Now))
		time.Sleep(notify.DeadAfter)
		stop()
		next := notify.New(box, channels, quiet(t), time.Now)
		assert.True(t, health(t, next)[0].Dead)
		hook.set(nil)
		stop = run(t, next)
		defer stop()
		time.Sleep(15 * time.Minute)
		assert.Len(t, hook.delivered(), 1)
	})
}

func TestRefusedMessageDoesNotHoldUpTheRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, hook := newMemory(), &line{fault: &notify.Refusal{Reason: errors.New("too large")}}
		box.put(notify.Items([]alert.Action{action(0, "hook")}))
		n := notify.New(box, map[string]notify.Channel{"hook": hook}, quiet(t), time.Now)
		stop := run(t, n)
		defer stop()
		synctest.Wait()
		lost, _ := box.end("stop/K-07/0/alert@hook")
		assert.True(t, lost.Lost, "it is kept as lost, not as delivered")
		assert.Contains(t, lost.Failure, "too large")
		hook.set(nil)
		box.put(notify.Items([]alert.Action{action(1, "hook")}))
		n.Wake()
		synctest.Wait()
		assert.Equal(t, []string{"stop/K-07/1/alert"}, hook.delivered())
	})
}

func TestOldNewsIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, hook := newMemory(), &line{fault: errDown}
		box.put(notify.Items([]alert.Action{action(0, "hook")}))
		stop := run(t, notify.New(box, map[string]notify.Channel{"hook": hook}, quiet(t), time.Now))
		defer stop()
		time.Sleep(notify.GiveUpAfter)
		_, settled := box.end("stop/K-07/0/alert@hook")
		assert.False(t, settled)
		time.Sleep(15 * time.Minute)
		lost, _ := box.end("stop/K-07/0/alert@hook")
		assert.True(t, lost.Lost)
	})
}

// hung never answers by itself.
type hung struct{ started chan struct{} }

func (h *hung) Alone() bool { return false }

func (h *hung) Send(ctx context.Context, _ alert.Action) error {
	h.started <- struct{}{}
	<-ctx.Done()
	return ctx.Err()
}

func TestHangingReceiver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, h := newMemory(), &hung{started: make(chan struct{})}
		box.put(notify.Items([]alert.Action{action(0, "hook")}))
		stop := run(t, notify.New(box, map[string]notify.Channel{"hook": h}, quiet(t), time.Now))
		<-h.started
		<-h.started
		assert.Equal(t, 1, box.oldest(t, "hook").Attempts, "an attempt that hangs is ended and tried again")
		stop()
		assert.Equal(t, 1, box.oldest(t, "hook").Attempts, "shutting down is no failure of the receiver's")
	})
}

func TestBrokenOutboxEndsTheRun(t *testing.T) {
	box := newMemory()
	box.broken = errors.New("the store is full")
	n := notify.New(box, map[string]notify.Channel{"hook": &line{}, "mail": &line{}}, quiet(t), time.Now)
	require.ErrorIs(t, n.Run(t.Context()), box.broken)
	_, err := n.Health()
	require.ErrorIs(t, err, box.broken)
}

// What was put off while the clock was a year ahead is tried again soon after it
// was set right.
func TestAClockOnceAheadPutsNothingOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box, hook := newMemory(), &line{}
		items := notify.Items([]alert.Action{action(0, "hook")})
		ahead := time.Now().AddDate(1, 0, 0)
		items[0].Attempts, items[0].Failing, items[0].Next, items[0].Action.At = 1, ahead, ahead, ahead
		box.put(items)
		stop := run(t, notify.New(box, map[string]notify.Channel{"hook": hook}, quiet(t), time.Now))
		defer stop()
		time.Sleep(time.Hour)
		synctest.Wait()
		assert.Equal(t, []string{"stop/K-07/0/alert"}, hook.delivered())
	})
}
