package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/roadtest"
)

// plainDevice speaks MQTT over TLS and knows what was acknowledged: it sends a
// record again, over a new connection, until it is.
type plainDevice struct {
	addr  string
	trust *tls.Config
	conn  net.Conn // nil when there is none
}

// wait is how long a device waits for an answer before it tries again.
const wait = 500 * time.Millisecond

// publish sends one record and, at QoS 1, waits for its acknowledgement.
func (d *plainDevice) publish(n int, qos byte) error {
	if err := d.connect(); err != nil {
		return err
	}
	p := publishPacket("arcdrift/v1/K-07/usage", fmt.Sprintf(`{"id":"r-%d","arc_count":%d}`, n, n), false)
	p.Qos, p.MessageID = qos, uint16(n+1)
	if err := p.Write(d.conn); err != nil || qos == 0 {
		return err
	}
	got, err := packets.ReadPacket(d.conn)
	if err != nil {
		return err
	}
	if ack, ok := got.(*packets.PubackPacket); !ok || ack.MessageID != p.MessageID {
		return errors.New("another answer than the acknowledgement: " + got.String())
	}
	return nil
}

// connect opens a connection unless there is one, and gives it time.
func (d *plainDevice) connect() error {
	if d.conn != nil {
		return d.conn.SetDeadline(time.Now().Add(wait))
	}
	conn, err := tls.DialWithDialer(&net.Dialer{Timeout: wait, Deadline: time.Now().Add(wait)}, "tcp", d.addr, d.trust)
	if err != nil {
		return err
	}
	d.conn = conn
	if err := conn.SetDeadline(time.Now().Add(wait)); err != nil {
		return err
	}
	if err := (&hostile{evil: "x"}).connectPacket().Write(conn); err != nil {
		return err
	}
	_, err = packets.ReadPacket(conn)
	return err
}

func (d *plainDevice) hangUp() {
	if d.conn != nil {
		_ = d.conn.Close() // it is broken, or will be
		d.conn = nil
	}
}

// overBrokenNetwork publishes n records and one over a network that breaks, and returns
// how many of them the intake has in the end, and how often the network broke. An
// acknowledged record must be there at that moment.
func overBrokenNetwork(t *testing.T, n int, qos byte, seed uint64) (kept, breaks int) {
	t.Helper()
	certificate := httptest.NewTLSServer(nil)
	certificate.Close()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	handler, records := newHandler()
	b, err := NewBroker(tls.NewListener(listener, certificate.TLS), anyone{}, handler, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	stop := run(t, b.Run)
	road := roadtest.New(t, b.Address(), 16<<10, seed)
	known := x509.NewCertPool()
	known.AddCert(certificate.Certificate())
	d := plainDevice{addr: road.Addr(), trust: &tls.Config{RootCAs: known}}
	for k, tries := 0, 0; k < n; tries++ {
		if tries == 20*n {
			road.Repair() // a machine that is too slow for it gets through all the same
		}
		if err := d.publish(k, qos); err != nil {
			d.hangUp()
			continue
		}
		if qos > 0 {
			require.True(t, records.has(fmt.Sprintf("r-%d", k)), "it was acknowledged and is not kept")
		}
		k++
	}
	breaks = road.Breaks()
	road.Repair()
	for d.publish(n, 1) != nil { // once this has come, so has what was sent before it
		d.hangUp()
	}
	d.hangUp()
	stop()
	return records.count(), breaks
}

func (d *fakeIntake) has(id string) bool {
	d.Lock()
	defer d.Unlock()
	return slices.Contains(d.ids, id)
}

// A device whose network breaks in the middle of greetings and packets, or falls
// silent, loses nothing that it sends at QoS 1.
func TestBrokenNetworkOverMQTT(t *testing.T) {
	breaks, want, seed := 0, faulttest.Rounds(t, 25), uint64(0)
	for ; breaks < want; seed++ {
		kept, broken := overBrokenNetwork(t, 100, 1, seed)
		require.Equal(t, 101, kept, "seed %d", seed)
		breaks += broken
	}
	faulttest.Bound(t, fmt.Sprintf("broken connections with a record lost, seeds 0 to %d", seed-1), breaks)
}

// TestBrokenNetworkOverMQTTControl: at QoS 0 the same network loses records, so the test
// above would see one lost.
func TestBrokenNetworkOverMQTTControl(t *testing.T) {
	lost := 0
	for seed := uint64(0); lost == 0 && seed < 20; seed++ {
		kept, _ := overBrokenNetwork(t, 100, 0, seed)
		lost += 101 - kept
	}
	require.Positive(t, lost)
}
