package agent

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func freeTCPPort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, port, err := net.SplitHostPort(l.Addr().String())
	require.NoError(t, err)
	require.NoError(t, l.Close())
	return port
}

// startMosquitto runs a real broker; kill ends it without a goodbye.
func startMosquitto(t *testing.T, port string) (kill func()) {
	t.Helper()
	config := filepath.Join(t.TempDir(), "mosquitto.conf")
	require.NoError(t, os.WriteFile(config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o644))
	cmd := exec.Command("mosquitto", "-c", config)
	require.NoError(t, cmd.Start(), "mosquitto has to be installed")
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", "127.0.0.1:"+port)
		return err == nil && conn.Close() == nil
	}, 10*time.Second, 10*time.Millisecond, "mosquitto does not listen")
	var once sync.Once
	kill = func() {
		once.Do(func() {
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // it was killed, and says so
		})
	}
	t.Cleanup(kill)
	return kill
}

// mosquittoSub listens with the real client of another project.
func mosquittoSub(t *testing.T, port, filter string) *lockedBuffer {
	t.Helper()
	out := &lockedBuffer{}
	cmd := exec.Command("mosquitto_sub", "-p", port, "-q", "1", "-v", "-t", filter)
	cmd.Stdout = out
	require.NoError(t, cmd.Start(), "mosquitto_sub has to be installed")
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed, and says so
	})
	return out
}
