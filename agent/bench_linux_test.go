package agent_test

import (
	"bufio"
	"bytes"
	"fmt"
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

	"arcdrift/agent/agenttest"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift"
)

// program builds the program as it is shipped, so that sizes are its own.
func program(b *testing.B) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "arcdrift")
	out, err := exec.Command("go", "build", "-o", path, "arcdrift/cmd/arcdrift").CombinedOutput()
	require.NoError(b, err, "%s", out)
	return path
}

// syncing is a command whose every sync to the disk takes that much longer, its
// process at full speed otherwise.
func syncing(longer time.Duration, name string, args ...string) *exec.Cmd {
	if longer == 0 {
		return exec.Command(name, args...)
	}
	const calls = "fsync,fdatasync"
	traced := []string{
		"-D", "-f", "--seccomp-bpf", "-q", "-o", "/dev/null", "-e", "trace=" + calls,
		"-e", fmt.Sprintf("inject=%s:delay_exit=%d", calls, longer.Microseconds()), name,
	}
	return exec.Command("strace", append(traced, args...)...)
}

// served runs the program's agent, on a disk whose syncs take that much longer, and
// returns its process and its broker's port.
func served(b *testing.B, longer time.Duration, program, db string) (pid int, port string) {
	b.Helper()
	port = agenttest.FreePort(b)
	cmd := syncing(longer, program, "serve", "--db", db, "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:"+port)
	require.NoError(b, cmd.Start())
	b.Cleanup(func() {
		require.NoError(b, cmd.Process.Signal(os.Interrupt))
		_ = cmd.Wait() // however it ends, the figure is taken
	})
	for {
		if _, ok := reach.RunningAgent(b.Context(), db); ok {
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
// to SQLite: on this machine's disk, and on one whose syncs take as much longer as a
// random write may take on memory cards of application performance class A2 (2,000
// a second at least) and A1 (500; SD Association, Application Performance Class,
// 2016 and 2017). -benchtime 20000x is 20,000 records.
func BenchmarkDurable(b *testing.B) {
	for _, disk := range []struct {
		name   string
		longer time.Duration
	}{{"this", 0}, {"A2", 500 * time.Microsecond}, {"A1", 2 * time.Millisecond}} {
		longer := disk.longer
		b.Run(disk.name, func(b *testing.B) {
			b.Run("arcdrift", func(b *testing.B) {
				_, port := served(b, longer, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
				publishEight(b, port, b.N)
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
			})
			b.Run("mosquitto and SQLite", func(b *testing.B) {
				port, kept := peer(b, longer)
				publishEight(b, port, b.N)
				for kept.Scan() && kept.Text() != strconv.Itoa(b.N) {
				}
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
			})
		})
	}
}

// peer runs mosquitto, mosquitto_sub and a subscriber that writes to SQLite, on a
// disk whose syncs take that much longer, and returns the broker's port and the
// numbers of the records kept.
func peer(b *testing.B, longer time.Duration) (port string, kept *bufio.Scanner) {
	b.Helper()
	port = agenttest.FreePort(b)
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
	keep := syncing(longer, "python3", filepath.Join("..", "testdata", "reference", "sqlite_subscriber.py"), filepath.Join(b.TempDir(), "peer.db"))
	keep.Stdin = messages
	numbers, err := keep.StdoutPipe()
	require.NoError(b, err)
	start(sub)
	start(keep)
	time.Sleep(500 * time.Millisecond)
	return port, bufio.NewScanner(numbers)
}

// BenchmarkReceipt: from publishing a record to its receipt, at 1,000 records a
// second from eight devices.
func BenchmarkReceipt(b *testing.B) {
	_, port := served(b, 0, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
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
	pid, _ := served(b, 0, program(b), filepath.Join(b.TempDir(), "arcdrift.db"))
	time.Sleep(3 * time.Second)
	for b.Loop() {
		b.ReportMetric(resident(b, pid, "VmRSS"), "MB")
	}
}

// million makes a store of 1,000,000 records of 1,000 machines, 1,000 each over
// most of a year up to now, in large groups.
func million(b *testing.B, db string) {
	const machines, each, group = 1000, 1000, 20
	now := time.Now().UTC()
	s, err := store.Open(db, func() time.Time { return now }, store.Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, s.Close()) }()
	var entries []drift.Entry
	for n := range each {
		at := now.Add(time.Duration(n-each) * 8 * time.Hour)
		for m := range machines {
			r := drift.Record{
				Type: drift.TypeCalibration, Machine: fmt.Sprintf("K-%03d", m), Model: "type-1", Time: at, ArcCount: drift.Some(int64(n * 12)),
				Calibration: &drift.Calibration{
					Passed: drift.Some(true), MeltbackLeft: drift.Some(float64(246 + (n*7+m)%11)), MeltbackRight: drift.Some(float64(247 + (n*5+m)%9)),
					Target: drift.Some(250.0), Tolerance: drift.Some(10.0), PowerSetting: drift.Some(1.5),
					Temperature: drift.Some(11.5), Humidity: drift.Some(71.0), Altitude: drift.Some(420.0),
				},
			}
			r.ID = r.Identity()
			entries = append(entries, drift.Entry{Record: r, Received: now, Via: "import"})
		}
		if (n+1)%group == 0 {
			_, err := s.Append(entries, nil)
			require.NoError(b, err)
			entries = entries[:0]
		}
	}
}

// BenchmarkMillion: a store of 1,000,000 records of 1,000 machines. From start to
// the pages and to all answers from what was kept, its check included (and to the
// answers the first time, all made anew); the most memory that the check and the
// agent had together; and the part of it that is no page of the file.
func BenchmarkMillion(b *testing.B) {
	binary, db := program(b), filepath.Join(b.TempDir(), "arcdrift.db")
	million(b, db)
	first := starts(b, binary, db)
	var most footprint // of all starts
	for b.Loop() {
		l := starts(b, binary, db)
		most = most.or(l.most)
		b.ReportMetric(l.open.Seconds(), "open-s")
		b.ReportMetric(l.answers.Seconds(), "answers-s")
		b.ReportMetric(l.cpu.Seconds(), "cpu-s")
	}
	b.ReportMetric(most.all, "peak-MB")
	b.ReportMetric(most.own, "own-MB")
	b.ReportMetric(first.answers.Seconds(), "first-answers-s")
	b.ReportMetric(first.cpu.Seconds(), "first-cpu-s")
}

// footprint is the most that was resident, in MB of 10⁶ bytes.
type footprint struct{ all, own float64 }

// launch is what a start took: until the pages were up and until all answers
// were there, and the processor's time, the check's included.
type launch struct {
	open, answers, cpu time.Duration
	most               footprint
}

// starts runs the program's agent until it has all answers and ends it in good
// order. It looks at the memory of the agent and of its check all the while.
func starts(b *testing.B, program, db string) (l launch) {
	began := time.Now()
	cmd := exec.Command(program, "serve", "--db", db, "--http-listen", "127.0.0.1:0")
	require.NoError(b, cmd.Start())
	for url := ""; l.answers == 0; time.Sleep(5 * time.Millisecond) {
		l.most = l.most.or(together(cmd.Process.Pid))
		if url == "" {
			if found, ok := reach.RunningAgent(b.Context(), db); ok {
				url, l.open = found, time.Since(began)
			}
			continue
		}
		resp, err := http.Get(url + "/readyz")
		require.NoError(b, err)
		require.NoError(b, resp.Body.Close())
		if resp.StatusCode == http.StatusOK {
			l.answers = time.Since(began)
		}
	}
	l.most = l.most.or(together(cmd.Process.Pid))
	require.NoError(b, cmd.Process.Signal(os.Interrupt))
	require.NoError(b, cmd.Wait())
	l.cpu = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	return l
}

func (m footprint) or(n footprint) footprint { return footprint{max(m.all, n.all), max(m.own, n.own)} }

// together is what a process and its children have resident now.
func together(pid int) (m footprint) {
	all := []string{strconv.Itoa(pid)}
	threads, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, path := range threads {
		children, _ := os.ReadFile(path) // who has gone has none
		all = append(all, strings.Fields(string(children))...)
	}
	for _, p := range all {
		raw, _ := os.ReadFile(filepath.Join("/proc", p, "status"))
		for line := range strings.Lines(string(raw)) {
			if f := strings.Fields(line); len(f) == 3 {
				kib, _ := strconv.ParseFloat(f[1], 64)
				switch f[0] {
				case "VmRSS:":
					m.all += kib * 1024 / 1e6
				case "RssAnon:":
					m.own += kib * 1024 / 1e6
				}
			}
		}
	}
	return m
}
