package agent_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/faulttest"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
)

// An agent that is killed at any moment, under load at both doors, has every
// record that it acknowledged, once; "acknowledged" is said by clients outside:
// an HTTP 201, and mosquitto_pub that ends well, which it does after PUBACK.
func TestKilledAgentHasWhatItAcknowledged(t *testing.T) {
	db, chance := agenttest.DB(t), rand.New(rand.NewPCG(1, 2))
	n := faulttest.Rounds(t, 6)
	acked := map[string]bool{}
	for round := range n {
		port := agenttest.FreePort(t)
		cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:"+port)
		said := &agenttest.Buffer{}
		cmd.Stderr = said
		require.NoError(t, cmd.Start())
		t.Cleanup(func() {
			if t.Failed() {
				t.Logf("round %d: %s", round, said)
			}
		})
		url := agenttest.Await(t, db)
		ctx, cancel := context.WithCancel(t.Context())
		var mu sync.Mutex
		var senders sync.WaitGroup
		load := func(name string, send func(id string) bool) {
			senders.Go(func() {
				for n := 0; ctx.Err() == nil; n++ {
					id := fmt.Sprintf("%s-%d-%d", name, round, n)
					if send(id) {
						mu.Lock()
						acked[id] = true
						mu.Unlock()
					}
				}
			})
		}
		load("http", func(id string) bool { return agenttest.PostOnce(url, fmt.Sprintf(agenttest.Good, id)) })
		load("mqtt", func(id string) bool {
			return exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", "arcdrift/v1/K-07/usage", "-m", fmt.Sprintf(agenttest.Good, id)).Run() == nil
		})
		time.Sleep(100*time.Millisecond + time.Duration(chance.IntN(200))*time.Millisecond)
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed, and says so
		cancel()
		senders.Wait()
		require.NoError(t, os.Remove(reach.AddressFile(db)), "a killed agent leaves its address")
	}

	require.Greater(t, len(acked), n, "the load was no load")
	require.NoError(t, keptOnce(db, acked))
	faulttest.Bound(t, fmt.Sprintf("agents killed that lost or doubled one of %d acknowledged records", len(acked)), n)
}

// keptOnce says what is wrong with a closed store that should have what was
// acknowledged, once.
func keptOnce(db string, acked map[string]bool) error {
	report, err := store.VerifyFile(db)
	switch {
	case err != nil:
		return err
	case report.First != nil:
		return report.First
	}
	s, err := store.Open(db, time.Now, store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	kept := map[string]int{}
	for e, readErr := range store.Entries(s) {
		err = errors.Join(err, readErr)
		kept[e.ID]++
	}
	for id := range acked {
		if kept[id] != 1 {
			err = errors.Join(err, fmt.Errorf("%s was acknowledged and is kept %d times", id, kept[id]))
		}
	}
	return errors.Join(err, s.Close())
}

// TestKeptOnceControl: an acknowledgement that came too early, and a record that
// came in twice, are found out.
func TestKeptOnceControl(t *testing.T) {
	db := agenttest.DB(t)
	twice := `{"type":"usage","machine":"K-07","id":"twice","arc_count":%d}` + "\n"
	lines := fmt.Sprintf(agenttest.Good, "once") + "\n" + fmt.Sprintf(twice, 1) + fmt.Sprintf(twice, 2)
	require.Zero(t, agenttest.Run(t, cli.Env{Stdin: strings.NewReader(lines)}, "import", "--db", db, "-").Code)
	require.NoError(t, keptOnce(db, map[string]bool{"once": true}))
	require.ErrorContains(t, keptOnce(db, map[string]bool{"once": true, "early": true}), "early was acknowledged and is kept 0 times")
	require.ErrorContains(t, keptOnce(db, map[string]bool{"twice": true}), "kept 2 times")
}

// An agent asked to stop has ended, in order, within the time that a service
// manager gives it, though clients stay connected.
func TestStopsInOrder(t *testing.T) {
	s, log, stop := agenttest.Start(t, agenttest.DB(t), nil)
	idle, err := net.Dial("tcp", s.MQTTAddress())
	require.NoError(t, err)
	defer func() { _ = idle.Close() }() // the agent has closed it
	half, err := net.Dial("tcp", strings.TrimPrefix(s.URL(), "http://"))
	require.NoError(t, err)
	defer func() { _ = half.Close() }() // the agent has closed it
	_, err = half.Write([]byte("POST /api/v1/records HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\n{"))
	require.NoError(t, err)
	stop()
	said := log.String()
	assert.Less(t, strings.Index(said, `ended what="mqtt broker`), strings.Index(said, `ended what=intake`), "the doors close before the writer:\n%s", said)
	assert.NotContains(t, said, "level=ERROR")
}

// BenchmarkImport takes files of so many calibrations, of 1,000 machines in turn,
// into a new store.
func BenchmarkImport(b *testing.B) {
	const machines = 1000
	for _, records := range []int{100_000, 1_000_000} {
		b.Run(fmt.Sprintf("records=%d", records), func(b *testing.B) {
			file := filepath.Join(b.TempDir(), "in.jsonl")
			f, err := os.Create(file)
			require.NoError(b, err)
			w := bufio.NewWriter(f)
			for n := range records {
				fmt.Fprintf(w, `{"type":"calibration","id":"r%d","machine":"K-%04d","model":"type-1","time":%q,"passed":true,"meltback_left_um":%d,"meltback_right_um":249,"meltback_target_um":250,"meltback_tolerance_um":10,"power_setting_pct":1.5,"arc_count":%d,"temperature_c":11.5,"humidity_pct":71,"altitude_m":420}`+"\n",
					n, n%machines, agenttest.Now.Add(time.Duration(n)*time.Minute).Format(time.RFC3339), 246+n%9, n*12/machines)
			}
			require.NoError(b, errors.Join(w.Flush(), f.Close()))
			for b.Loop() {
				dir, err := os.MkdirTemp(filepath.Dir(file), "")
				require.NoError(b, err)
				var out strings.Builder
				code := cli.Run(b.Context(), cli.Env{Args: []string{"import", "--db", filepath.Join(dir, "a.db"), file},
					Stdout: &out, Stderr: &out, Now: func() time.Time { return agenttest.Now.AddDate(3, 0, 0) }})
				require.Zero(b, code, out.String())
				require.NoError(b, os.RemoveAll(dir))
			}
			b.ReportMetric(float64(records*b.N)/b.Elapsed().Seconds(), "records/s")
		})
	}
}
