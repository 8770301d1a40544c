package mqtt

import (
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
)

// plainMosquitto is a broker as it comes: what waits there is in its memory.
func plainMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	m := &mosquitto{addr: free.Addr().String(), config: filepath.Join(t.TempDir(), "mosquitto.conf")}
	require.NoError(t, free.Close())
	_, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(m.config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o644))
	m.start(t)
	t.Cleanup(func() { m.kill(t) })
	return m
}

// A broker that is killed loses what it had acknowledged and not yet passed on.
// A sender that keeps each record until the agent's receipt for it comes loses
// nothing; the broker's acknowledgement alone is not enough, which is this
// test's control.
func TestOutsideBrokerKilled(t *testing.T) {
	n := faulttest.Rounds(t, 10)
	const batch = 20
	m := plainMosquitto(t)
	handler, records := newHandler()
	join := func() (stop func()) {
		c := NewClient(Join{URL: "tcp://" + m.addr, ID: "agent"}, handler, slog.New(slog.DiscardHandler))
		stop = run(t, c.Run)
		require.Eventually(t, func() bool { return c.Ready() == nil }, patience, time.Millisecond)
		return stop
	}
	lost := 0
	for round := range n {
		id := func(k int) string { return fmt.Sprintf("%d-%d", round, k) }
		send := func(k int, sender string) {
			pub(t, m.addr, "arcdrift/v1/K-07/usage", fmt.Sprintf(`{"id":%q,"arc_count":%d}`, id(k), k+1), "-i", sender)
		}
		stop := join()
		require.Eventually(t, func() bool {
			send(-1, "first")
			return records.count() > round*(batch+1)
		}, patience, 50*time.Millisecond, "the agent's session does not come to stand")
		stop()
		for k := range batch {
			send(k, "sender") // and is acknowledged, by the broker
		}
		m.kill(t)
		m.start(t)
		stop = join()

		hears := publisher(t, m.addr, fmt.Sprintf("receipts-%d", round))
		receipts := listen(t, hears, "arcdrift/v1/+/receipt")
		waiting := map[string]int{}
		for k := range batch {
			waiting[id(k)] = k
		}
		// What the broker still had comes before this one, once the agent listens.
		for came, tries := false, 0; !came; tries++ {
			require.Less(t, tries, 100, "the agent does not listen again")
			send(-1, "first")
			select {
			case r := <-receipts:
				delete(waiting, r["id"].(string))
				came = r["id"] == id(-1)
			case <-time.After(100 * time.Millisecond):
			}
		}
		lost += len(waiting)
		for _, k := range waiting {
			send(k, "sender")
		}
		for len(waiting) > 0 {
			delete(waiting, next(t, receipts)["id"].(string))
		}
		stop()
		hears.Disconnect(quiesce)
		require.Equal(t, (round+1)*(batch+1), records.count())
	}
	assert.Positive(t, lost, "the broker lost nothing, so this test shows nothing")
	t.Logf("the broker had lost %d of %d that it had acknowledged", lost, n*batch)
	faulttest.Bound(t, "broker killed with a record lost for good", n)
}
