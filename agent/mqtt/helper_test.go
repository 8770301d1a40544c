package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// TestMain looks for goroutines left behind. Who waits before it tries a broker again
// is not woken by a stop, and ends within a minute.
func TestMain(m *testing.M) {
	code := m.Run()
	err := goleak.Find()
	for end := time.Now().Add(70 * time.Second); code == 0 && err != nil && time.Now().Before(end); {
		err = goleak.Find()
	}
	if code == 0 && err != nil {
		os.Stderr.WriteString(err.Error() + "\n")
		code = 1
	}
	os.Exit(code)
}

// fakeIntake keeps each record once, in memory.
type fakeIntake struct {
	sync.Mutex
	ids     []string
	refused []intake.Submission
	taken   int // offers that came, repeats included
	broken  error
}

func (d *fakeIntake) Take(_ context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	d.Lock()
	defer d.Unlock()
	if d.broken != nil {
		return nil, d.broken
	}
	var out []intake.Receipt
	for _, o := range offers {
		d.taken++
		if o.Problem == nil && o.By != nil {
			o.Problem = o.By.Check(&o.Record) // as the real intake asks
		}
		if o.Problem == nil && o.Record.About() != o.Machine {
			o.Problem = &drift.Problem{Field: "scope", Reason: "must be machine"}
		}
		if o.Problem != nil {
			o.Raw = bytes.Clone(o.Raw)
			d.refused = append(d.refused, o)
			out = append(out, intake.Receipt{Refused: o.Problem})
			continue
		}
		id := o.Record.ID
		if id == "" {
			id = o.Record.Identity()
		}
		seen := false
		for _, known := range d.ids {
			seen = seen || known == id
		}
		if !seen {
			d.ids = append(d.ids, id)
		}
		out = append(out, intake.Receipt{ID: id, Epoch: 1, Seq: uint64(len(d.ids)), Duplicate: seen})
	}
	return out, nil
}

func (d *fakeIntake) breakWith(err error) {
	d.Lock()
	defer d.Unlock()
	d.broken = err
}

// offered is how often anything was offered, refused and repeated included.
func (d *fakeIntake) offered() int {
	d.Lock()
	defer d.Unlock()
	return d.taken
}

func (d *fakeIntake) count() int {
	d.Lock()
	defer d.Unlock()
	return len(d.ids)
}

// kept waits until the intake has n different records.
func (d *fakeIntake) kept(t *testing.T, n int) {
	t.Helper()
	require.Eventually(t, func() bool { return d.count() >= n }, 30*time.Second, 5*time.Millisecond, "records did not arrive")
	require.Equal(t, n, d.count())
}

// fakeAdviser says no-need and repeats the question.
type fakeAdviser struct{}

func (fakeAdviser) Move(q advise.Move) (advise.MoveAnswer, error) {
	if q.Machine == "K-00" {
		return advise.MoveAnswer{}, errors.New("the model cannot be read")
	}
	return advise.MoveAnswer{AskID: q.AskID, Machine: q.Machine, AsOf: q.AsOf, Answer: advise.NoNeed}, nil
}

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func newHandler() (Handler, *fakeIntake) {
	records := &fakeIntake{}
	return Handler{Intake: records, Adviser: fakeAdviser{}, Air: func(string, drift.AirReading) {}, Now: func() time.Time { return noon }}, records
}

// anyone is an authenticator that admits everybody.
type anyone struct{}

func (anyone) Authenticate(Peer) (auth.Principal, error) {
	return auth.Principal{Role: auth.Manager}, nil
}

func (anyone) Refresh(p auth.Principal) (auth.Principal, error) { return p, nil }

// startBroker runs an embedded broker on a free port and returns its address.
func startBroker(t *testing.T, guard Authenticator, handler Handler) (*Broker, string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b, err := NewBroker(listener, guard, handler, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	run(t, b.Run)
	require.NoError(t, b.Ready())
	return b, listener.Addr().String()
}

// run runs something until the end of the test and demands that it ends well.
func run(t *testing.T, f func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			assert.NoError(t, <-done)
		})
	}
	t.Cleanup(stop)
	return stop
}

// publisher is a plain paho client, as a device would have.
func publisher(t *testing.T, addr, id string) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetConnectTimeout(patience).SetMaxReconnectInterval(time.Second))
	require.True(t, c.Connect().WaitTimeout(patience))
	require.True(t, c.IsConnectionOpen())
	t.Cleanup(func() { c.Disconnect(quiesce) })
	return c
}

// listen subscribes and returns what comes, decoded.
func listen(t *testing.T, c paho.Client, filter string) <-chan map[string]any {
	t.Helper()
	out := make(chan map[string]any, 100)
	token := c.Subscribe(filter, 1, func(_ paho.Client, m paho.Message) {
		var v map[string]any
		if json.Unmarshal(m.Payload(), &v) == nil {
			out <- v
		}
	})
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	return out
}

// next is the next message, which has to come.
func next(t *testing.T, ch <-chan map[string]any) map[string]any {
	t.Helper()
	select {
	case v := <-ch:
		return v
	case <-time.After(30 * time.Second):
		require.Fail(t, "no message came")
		return nil
	}
}

func publish(t *testing.T, c paho.Client, topic, payload string) {
	t.Helper()
	token := c.Publish(topic, 1, false, payload)
	require.True(t, token.WaitTimeout(patience), "no acknowledgement of %s", topic)
	require.NoError(t, token.Error())
}

// mosquitto is a real broker of its own process, with its session kept on disk.
type mosquitto struct {
	addr, config string
	process      *exec.Cmd
}

func startMosquitto(t *testing.T, more ...string) *mosquitto {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o777)) // mosquitto gives up root for its own user
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	m := &mosquitto{addr: free.Addr().String(), config: filepath.Join(dir, "mosquitto.conf")}
	require.NoError(t, free.Close())
	_, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(m.config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location "+dir+"/\nautosave_on_changes true\nautosave_interval 1\n"+strings.Join(more, "\n")+"\n"), 0o644))
	m.start(t)
	t.Cleanup(func() { m.kill(t) })
	return m
}

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.process = exec.Command("mosquitto", "-c", m.config)
	require.NoError(t, m.process.Start(), "mosquitto has to be installed")
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", m.addr)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	}, 10*time.Second, 10*time.Millisecond, "mosquitto does not listen")
}

// kill ends the broker without a goodbye.
func (m *mosquitto) kill(t *testing.T) {
	t.Helper()
	require.NoError(t, m.process.Process.Kill())
	_ = m.process.Wait() // it was killed, and says so
}

// pub publishes one message with the real mosquitto_pub.
func pub(t *testing.T, addr, topic, payload string, more ...string) {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	cmd := exec.Command("mosquitto_pub", append([]string{"-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload}, more...)...)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}
