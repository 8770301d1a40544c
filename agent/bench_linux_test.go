package agent

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// program builds the program as it is shipped, so that sizes are its own.
func program(b *testing.B) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "arcdrift")
	out, err := exec.Command("go", "build", "-o", path, "arcdrift/cmd/arcdrift").CombinedOutput()
	require.NoError(b, err, "%s", out)
	return path
}

// served runs the program's agent and returns its process and its broker's port.
func served(b *testing.B, program, db string) (pid int, port string) {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	_, port, err = net.SplitHostPort(l.Addr().String())
	require.NoError(b, err)
	require.NoError(b, l.Close())
	cmd := exec.Command(program, "serve", "--db", db, "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:"+port)
	require.NoError(b, cmd.Start())
	b.Cleanup(func() {
		require.NoError(b, cmd.Process.Signal(os.Interrupt))
		_ = cmd.Wait() // however it ends, the figure is taken
	})
	for {
		if _, ok := runningAgent(b.Context(), db); ok {
			return cmd.Process.Pid, port
		}
		time.Sleep(time.Millisecond)
	}
}

// resident is a figure of a process's memory, like VmRSS, in MB of 10⁶ bytes.
func resident(b *testing.B, pid int, figure string) float64 {
	b.Helper()
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	for line := range strings.Lines(string(raw)) {
		if rest, ok := strings.CutPrefix(line, figure+":"); ok {
			kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			require.NoError(b, err)
			return kib * 1024 / 1e6
		}
	}
	b.Fatal("no such figure: " + figure)
	return 0
}

func device(b *testing.B, port, id string) paho.Client {
	b.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://127.0.0.1:" + port).SetClientID(id))
	token := c.Connect()
	require.True(b, token.WaitTimeout(10*time.Second))
	require.NoError(b, token.Error())
	b.Cleanup(func() { c.Disconnect(100) })
	return c
}

const benchUsage = `{"id":"%s-%d","time":"2026-03-02T07:45:00Z","arc_count":%d,"extra":{"pad":"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"}}`

// publishEight sends n records from eight devices, each with up to 64 on their
// way, and returns when all are acknowledged.
func publishEight(b *testing.B, port string, n int) {
	b.Helper()
	const devices, window = 8, 64
	clients := make([]paho.Client, devices)
	for d := range clients {
		clients[d] = device(b, port, fmt.Sprintf("device-%d", d))
	}
	b.ResetTimer()
	var all sync.WaitGroup
	for d, c := range clients {
		all.Go(func() {
			var waiting []paho.Token
			for k := d; k < n; k += devices {
				if len(waiting) == window {
					waiting[0].Wait()
					waiting = waiting[1:]
				}
				waiting = append(waiting, c.Publish(fmt.Sprintf("arcdrift/v1/K-0%d/usage", d), 1, false, fmt.Sprintf(benchUsage, "d"+fmt.Sprint(d), k, k)))
			}
			for _, t := range waiting {
				t.Wait()
			}
		})
	}
	all.Wait()
}

// BenchmarkDurable: records per second until all are on disk, from eight
// devices, here and with mosquitto, mosquitto_sub and a subscriber that writes
// to SQLite. -benchtime 20000x is 20,000 records.
func BenchmarkDurable(b *testing.B) {
	b.Run("arcdrift", func(b *testing.B) {
		_, port := served(b, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
		publishEight(b, port, b.N)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
	})
	b.Run("mosquitto and SQLite", func(b *testing.B) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(b, err)
		_, port, err := net.SplitHostPort(l.Addr().String())
		require.NoError(b, err)
		require.NoError(b, l.Close())
		config := filepath.Join(b.TempDir(), "mosquitto.conf")
		require.NoError(b, os.WriteFile(config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"), 0o644))
		start := func(cmd *exec.Cmd) {
			require.NoError(b, cmd.Start())
			b.Cleanup(func() {
				_ = cmd.Process.Kill() // it may have ended
				_ = cmd.Wait()         // it was killed, and says so
			})
		}
		start(exec.Command("mosquitto", "-c", config))
		time.Sleep(500 * time.Millisecond)
		sub := exec.Command("mosquitto_sub", "-p", port, "-q", "1", "-t", "arcdrift/v1/+/usage")
		messages, err := sub.StdoutPipe()
		require.NoError(b, err)
		keep := exec.Command("python3", filepath.Join("..", "testdata", "reference", "sqlite_subscriber.py"), filepath.Join(b.TempDir(), "peer.db"))
		keep.Stdin = messages
		kept, err := keep.StdoutPipe()
		require.NoError(b, err)
		start(sub)
		start(keep)
		time.Sleep(500 * time.Millisecond)
		publishEight(b, port, b.N)
		for lines := bufio.NewScanner(kept); lines.Scan() && lines.Text() != strconv.Itoa(b.N); {
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
	})
}

// BenchmarkReceipt: from publishing a record to its receipt, at 1,000 records a
// second from eight devices.
func BenchmarkReceipt(b *testing.B) {
	_, port := served(b, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
	var mu sync.Mutex
	sent, waits := map[string]time.Time{}, []time.Duration(nil)
	hears := device(b, port, "receipts")
	token := hears.Subscribe("arcdrift/v1/+/receipt", 1, func(_ paho.Client, m paho.Message) {
		_, id, _ := bytes.Cut(m.Payload(), []byte(`"id":"`))
		id, _, _ = bytes.Cut(id, []byte(`"`))
		mu.Lock()
		waits = append(waits, time.Since(sent[string(id)]))
		mu.Unlock()
	})
	require.True(b, token.WaitTimeout(10*time.Second))
	clients := make([]paho.Client, 8)
	for d := range clients {
		clients[d] = device(b, port, fmt.Sprintf("device-%d", d))
	}
	b.ResetTimer()
	began := time.Now()
	for k := range b.N {
		time.Sleep(time.Until(began.Add(time.Duration(k) * time.Millisecond)))
		mu.Lock()
		sent[fmt.Sprintf("r-%d", k)] = time.Now()
		mu.Unlock()
		clients[k%8].Publish(fmt.Sprintf("arcdrift/v1/K-0%d/usage", k%8), 1, false, fmt.Sprintf(benchUsage, "r", k, k))
	}
	for done := 0; done < b.N; time.Sleep(10 * time.Millisecond) {
		mu.Lock()
		done = len(waits)
		mu.Unlock()
	}
	slices.Sort(waits)
	b.ReportMetric(float64(waits[len(waits)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(waits[len(waits)*99/100].Microseconds())/1000, "p99-ms")
	b.ReportMetric(float64(waits[len(waits)-1].Microseconds())/1000, "max-ms")
}

// BenchmarkIdle: the memory of an agent that has nothing to do.
func BenchmarkIdle(b *testing.B) {
	pid, _ := served(b, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
	time.Sleep(3 * time.Second)
	for b.Loop() {
		b.ReportMetric(resident(b, pid, "VmRSS"), "MB")
	}
}

// BenchmarkMillion: a store of 1,000,000 records of 1,000 machines, from start to
// the first answer, its check included, and the memory that takes: all of it, and
// the part that is no page of the file, which the system can drop.
func BenchmarkMillion(b *testing.B) {
	binary, dir := program(b), b.TempDir()
	db, file := filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "in.jsonl")
	out, err := os.Create(file)
	require.NoError(b, err)
	w := bufio.NewWriter(out)
	for n := range 1_000_000 {
		at := scriptMoment.AddDate(-1, 0, 0).Add(time.Duration(n/1000) * 8 * time.Hour)
		fmt.Fprintf(w, `{"type":"calibration","machine":"K-%03d","model":"type-1","time":%q,"passed":true,"meltback_left_um":251,"meltback_right_um":249,"meltback_target_um":250,"meltback_tolerance_um":10,"power_setting_pct":1.5,"arc_count":%d,"temperature_c":11.5,"humidity_pct":71,"altitude_m":420}`+"\n", n%1000, at.Format(time.RFC3339), n/1000*12)
	}
	require.NoError(b, w.Flush())
	require.NoError(b, out.Close())
	said, err := exec.Command(binary, "import", "--db", db, file).CombinedOutput()
	require.NoError(b, err, "%s", said)
	b.ResetTimer()
	began := time.Now()
	pid, _ := served(b, binary, db)
	open := time.Since(began)
	url, _ := runningAgent(b.Context(), db)
	for {
		resp, err := http.Get(url + "/api/v1/machines/K-500")
		require.NoError(b, err)
		require.NoError(b, resp.Body.Close())
		if resp.StatusCode == http.StatusOK {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	b.ReportMetric(open.Seconds(), "open-s")
	b.ReportMetric(time.Since(began).Seconds(), "answer-s")
	b.ReportMetric(resident(b, pid, "VmHWM"), "peak-MB")
	b.ReportMetric(resident(b, pid, "RssAnon"), "own-MB")
}
