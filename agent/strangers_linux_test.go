package agent_test

import (
	"arcdrift/agent/agenttest"
	"bytes"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// agentBehind runs the program's agent as a process, begun by the words before
// it, and returns its process and the ports of its pages and its broker.
func agentBehind(t *testing.T, db string, before ...string) (pid int, pages, broker string) {
	t.Helper()
	pages, broker = agenttest.FreePort(t), agenttest.FreePort(t)
	args := append(before, "arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:"+pages, "--mqtt-listen", "127.0.0.1:"+broker)
	cmd := exec.Command(args[0], args[1:]...)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed
	})
	agenttest.Await(t, db)
	return cmd.Process.Pid, pages, broker
}

// strangers opens n connections on which one says the beginning, and the first
// byte of the rest.
func strangers(t *testing.T, n int, port string, says []byte) []net.Conn {
	t.Helper()
	var out []net.Conn
	for range n {
		conn, err := net.Dial("tcp", "127.0.0.1:"+port)
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		require.NoError(t, conn.SetWriteDeadline(time.Now().Add(time.Second)))
		_, _ = conn.Write(says) // it may be shown out in the middle
		out = append(out, conn)
	}
	return out
}

// megabyte begins with these bytes.
func megabyte(beginning string) []byte {
	return append([]byte(beginning), bytes.Repeat([]byte("x"), 1<<20-len(beginning)-16)...)
}

// 300 strangers who announce a megabyte each, and send it, take at most 16 MiB
// together, at either door, and whoever has an account comes in beside them.
func TestStrangersTakeLittleMemory(t *testing.T) {
	const many, most = 300, 16.0
	db := agenttest.DB(t)
	secret := agenttest.Account(t, db, "device", "add", "van-4", "--machines", "K-07")
	pid, pages, broker := agentBehind(t, db)
	// A client id of a megabyte: CONNECT, its length, MQTT 3.1.1, no flags.
	connect := megabyte("\x10\xf0\xff\x3f\x00\x04MQTT\x04\x02\x00\x3c\xff\xff")
	for name, c := range map[string]struct {
		port string
		says []byte
	}{
		"CONNECT of a megabyte":      {broker, connect},
		"CONNECT that is announced":  {broker, connect[:20]},
		"PUBLISH before CONNECT":     {broker, megabyte("\x32\xf0\xff\x3f\x00\x04")},
		"headers of a megabyte":      {pages, megabyte("GET / HTTP/1.1\r\nHost: localhost\r\nX: ")},
		"body of a megabyte":         {pages, megabyte("POST /api/v1/records HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1048000\r\n\r\n")},
		"form of a megabyte, signin": {pages, megabyte("POST /sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1048000\r\n\r\nname=")},
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, os.WriteFile(filepath.Join("/proc", strconv.Itoa(pid), "clear_refs"), []byte("5"), 0o200)) // the peak begins anew
			_, before := memoryOf(t, pid)
			conns := strangers(t, many, c.port, c.says)
			pub := exec.Command("mosquitto_pub", "-p", broker, "-i", "van-4", "-u", "van-4", "-P", secret, "-q", "1", "-t", "arcdrift/v1/K-07/usage", "-m", `{"id":"m","arc_count":1}`)
			said, err := pub.CombinedOutput()
			assert.NoError(t, err, "who has an account: %s", said)
			_, after := memoryOf(t, pid)
			t.Logf("%d strangers: %.1f MiB", many, after-before)
			assert.LessOrEqual(t, after-before, most)
			for _, conn := range conns {
				require.NoError(t, conn.SetReadDeadline(time.Now().Add(2*time.Minute)))
				_, err := io.Copy(io.Discard, conn)
				assert.NotErrorIs(t, err, os.ErrDeadlineExceeded, "a stranger is still there")
			}
		})
	}
}

// An agent that ran out of descriptors takes connections again once there are
// some.
func TestListenersOutliveTheDescriptors(t *testing.T) {
	db := agenttest.DB(t)
	_, pages, broker := agentBehind(t, db, "prlimit", "--nofile=48:48")
	for _, port := range []string{broker, pages} {
		conns := strangers(t, 100, port, nil)
		time.Sleep(50 * time.Millisecond) // any time will do: it has met the limit, or will
		for _, conn := range conns {
			require.NoError(t, conn.Close())
		}
	}
	agenttest.Soon(t, "the broker takes records", func() bool {
		return exec.Command("mosquitto_pub", "-p", broker, "-q", "1", "-t", "arcdrift/v1/K-07/usage", "-m", `{"id":"m","arc_count":1}`).Run() == nil
	})
	agenttest.Soon(t, "the pages answer", func() bool { return exec.Command("curl", "-sf", "http://127.0.0.1:"+pages+"/healthz").Run() == nil })
}
