package mqtt

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
)

// madeUp is an intake that gives ids to records without one, as the real one does.
type madeUp struct{ *fakeIntake }

func (d madeUp) Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	made := make([]bool, len(offers))
	for i := range offers {
		if o := &offers[i]; o.Problem == nil && o.Record.ID == "" {
			o.Record.ID, made[i] = "made-up-"+string(rune('a'+d.offered())), true
		}
	}
	receipts, err := d.fakeIntake.Take(ctx, offers)
	for i := range receipts {
		receipts[i].PossibleRepeat = made[i]
	}
	return receipts, err
}

// deliver sends a record as a device does that may never hear of it: on a connection
// of its own, which it breaks after the acknowledgement.
func deliver(t *testing.T, addr, client string, packet uint16, again bool, payload string) {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion, c.Keepalive, c.ClientIdentifier = "MQTT", 4, 60, client
	require.NoError(t, c.Write(conn))
	p := publishPacket("arcdrift/v1/K-07/calibration", payload, false)
	p.MessageID, p.Dup = packet, again
	require.NoError(t, p.Write(conn))
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(time.Minute)))
	for {
		heard, err := packets.ReadPacket(conn)
		require.NoError(t, err)
		if _, ok := heard.(*packets.PubackPacket); ok {
			return
		}
	}
}

// A record with neither time, id nor seq that is delivered three times, as MQTT does
// while the acknowledgement is missed, counts once: before, one failed attempt became
// three and the machine was said to be due for service.
func TestARedeliveredRecordCountsOnce(t *testing.T) {
	handler, records := newHandler()
	handler.Intake = madeUp{records}
	_, addr := startBroker(t, anyone{}, handler)
	const fail = `{"passed":false}`
	deliver(t, addr, "van-3", 7, false, fail)
	deliver(t, addr, "van-3", 7, true, fail)
	deliver(t, addr, "van-3", 7, true, fail)
	assert.Equal(t, 1, records.count(), "one message, delivered three times")

	deliver(t, addr, "van-3", 8, true, fail)
	assert.Equal(t, 2, records.count(), "another message that only the second delivery of came through")
	deliver(t, addr, "van-3", 8, false, fail)
	assert.Equal(t, 3, records.count(), "not said to be delivered again: another attempt that failed")
	deliver(t, addr, "van-4", 8, true, fail)
	assert.Equal(t, 4, records.count(), "another device's")
	deliver(t, addr, "van-3", 8, true, `{"passed":true}`)
	assert.Equal(t, 5, records.count(), "another body")
}

// What was acknowledged long before its connection broke is not what is delivered
// again: packet ids come round.
func TestRedeliveryIsOfTheLastMinutes(t *testing.T) {
	now := noon
	r := newRedeliveries(func() time.Time { return now })
	m := &Message{Topic: "arcdrift/v1/K-07/calibration", Payload: []byte("{}"), sent: delivery{"van-3", 1, false}}
	again := *m
	again.sent.again = true
	r.connected("van-3")
	r.seen("van-3")
	r.kept(m, "a")
	assert.Equal(t, "a", r.id(&again))
	assert.Empty(t, r.id(m), "it does not say so")
	now = now.Add(8 * time.Hour) // out of reach, and then back
	r.connected("van-3")
	assert.Equal(t, "a", r.id(&again), "the connection broke right after it")
	r.seen("van-3") // and the connection stands
	now = now.Add(time.Hour)
	r.seen("van-3")
	now = now.Add(time.Minute)
	r.connected("van-3")
	assert.Empty(t, r.id(&again), "an hour lay between it and the break")
	for i := range uint16(3 * maxNotes) {
		m.sent = delivery{"flood", i + 1, false}
		r.kept(m, "x")
	}
	assert.LessOrEqual(t, len(r.senders["flood"].notes), maxNotes)
}

// An outside broker delivers again what was kept and not acknowledged before the
// connection broke.
func TestOutsideBrokerDeliversAgain(t *testing.T) {
	r := newRedeliveries(func() time.Time { return noon })
	handler, records := newHandler()
	handler.Intake = madeUp{records}
	for i := range 3 {
		r.connected("")
		r.seen("")
		_, err := handler.take(t.Context(), []Message{{Topic: "arcdrift/v1/K-07/calibration", Payload: []byte(`{"passed":false}`), sent: delivery{"", 3, i > 0}}}, r)
		require.NoError(t, err)
	}
	assert.Equal(t, 1, records.count())
}
