package mqtt

import (
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// joinBroker runs a client of the broker at addr and waits until it is joined.
func joinBroker(t *testing.T, addr string, handler Handler) (c *Client, stop func()) {
	t.Helper()
	c = NewClient(Join{URL: "tcp://" + addr, ID: "agent-1"}, handler, slog.New(slog.DiscardHandler))
	require.Error(t, c.Ready(), "not before it runs")
	stop = run(t, c.Run)
	require.Eventually(t, func() bool { return c.Ready() == nil }, 30*time.Second, 5*time.Millisecond)
	return c, stop
}

func usage(n int) string { return fmt.Sprintf(`{"id":"u%d","arc_count":%d}`, n, n) }

func TestClientOfARealBroker(t *testing.T) {
	m := startMosquitto(t)
	handler, records := newHandler()
	c, _ := joinBroker(t, m.addr, handler)
	device := publisher(t, m.addr, "van-3")
	receipts := listen(t, device, "arcdrift/v1/+/receipt")

	// The subscription of a client that has just connected may still be on its way.
	require.Eventually(t, func() bool {
		pub(t, m.addr, "arcdrift/v1/K-07/calibration", calibration)
		return records.count() == 1
	}, 30*time.Second, 50*time.Millisecond)
	assert.Equal(t, "c1", next(t, receipts)["id"])

	pub(t, m.addr, "arcdrift/v1/K-07/service", `{"action":"polished"}`)
	require.Eventually(t, func() bool { return next(t, receipts)["refused"] != nil }, 30*time.Second, time.Millisecond)

	pub(t, m.addr, "arcdrift/v1/K-07/calibrations", `{"passed":true}`)
	require.Eventually(t, func() bool {
		refused, _ := next(t, receipts)["refused"].(map[string]any)
		return refused["field"] == "topic"
	}, 30*time.Second, time.Millisecond, "a typo in the topic does not vanish")

	answers := listen(t, device, "arcdrift/v1/K-07/site-check/answer")
	publish(t, device, "arcdrift/v1/K-07/site-check/ask", `{"temperature_c":4,"ask_id":"q1"}`)
	assert.Equal(t, "q1", next(t, answers)["ask_id"])

	taken := records.offered()
	require.NoError(t, c.Publish(About("K-07", State, []byte(`{"state":"fit"}`), true)))
	assert.Equal(t, "fit", next(t, listen(t, publisher(t, m.addr, "late"), "arcdrift/v1/K-07/state"))["state"])
	pub(t, m.addr, "arcdrift/v1/K-07/usage", usage(1))
	records.kept(t, 2)
	assert.Equal(t, taken+1, records.offered(), "what the agent published came back and was taken for something")
}

// What was published while the agent was away waits in its session.
func TestClientReceivesWhatItMissed(t *testing.T) {
	m := startMosquitto(t)
	handler, records := newHandler()
	_, stop := joinBroker(t, m.addr, handler)
	awaitSubscription(t, m.addr, records)
	stop()
	for n := 1; n <= 50; n++ {
		pub(t, m.addr, "arcdrift/v1/K-07/usage", usage(n))
	}
	_, stop = joinBroker(t, m.addr, handler)
	records.kept(t, 51)
	stop()
}

// awaitSubscription publishes one record until it arrives.
func awaitSubscription(t *testing.T, addr string, records *fakeIntake) {
	t.Helper()
	require.Eventually(t, func() bool {
		pub(t, addr, "arcdrift/v1/K-07/usage", usage(0))
		return records.count() == 1
	}, 30*time.Second, 50*time.Millisecond)
}

func TestClientOutlivesItsBroker(t *testing.T) {
	m := startMosquitto(t)
	handler, records := newHandler()
	c, _ := joinBroker(t, m.addr, handler)
	awaitSubscription(t, m.addr, records)
	m.kill(t)
	require.Eventually(t, func() bool { return c.Ready() != nil }, 30*time.Second, 5*time.Millisecond, "readiness must show that the broker is away")
	require.Error(t, c.Publish(About("K-07", State, []byte(`{}`), true)))
	m.start(t)
	require.Eventually(t, func() bool {
		pub(t, m.addr, "arcdrift/v1/K-07/usage", usage(1))
		return records.count() == 2
	}, 60*time.Second, 100*time.Millisecond)
}

// A broker hands out what was not acknowledged only to a new connection, so a
// client whose store failed has to make one.
func TestClientReceivesAgainWhatWasNotStored(t *testing.T) {
	m := startMosquitto(t)
	handler, records := newHandler()
	joinBroker(t, m.addr, handler)
	awaitSubscription(t, m.addr, records)
	records.breakWith(errors.New("no space left on device"))
	for n := 1; n <= 5; n++ {
		pub(t, m.addr, "arcdrift/v1/K-07/usage", usage(n))
	}
	assert.Equal(t, 1, records.count())
	records.breakWith(nil)
	records.kept(t, 6)
}

func TestClientSurvivesAFlood(t *testing.T) {
	m := startMosquitto(t, "max_queued_messages 0") // without a bound: the broker must not drop what the test counts
	handler, records := newHandler()
	joinBroker(t, m.addr, handler)
	awaitSubscription(t, m.addr, records)
	device := publisher(t, m.addr, "flood")
	const many = 5000
	for n := 1; n <= many; n++ {
		token := device.Publish("arcdrift/v1/K-07/usage", 1, false, usage(n))
		if n%100 == 0 {
			<-token.Done() // or the test's own end
			require.NoError(t, token.Error())
		}
	}
	require.Eventually(t, func() bool { return records.count() == many+1 }, 5*time.Minute, 10*time.Millisecond, "%d came", records.count())
}
