package server_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Once there is an account, a connection from this computer needs one too: at
// its beginning may stand a forwarder, behind which anybody may be. Commands on
// the computer need none.
func TestThisComputerNeedsAnAccountOnceThereAreSome(t *testing.T) {
	db := agenttest.DB(t)
	s, log, _ := agenttest.Start(t, db, nil)
	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	try := func() (read, write int, publish error) {
		read, _ = agenttest.AskAs(t, s, "", "", "GET", "/api/v1/alerts", nil, false)
		write, _ = agenttest.AskAs(t, s, "", "", "POST", "/api/v1/records", []byte(`{"type":"usage","machine":"K-07","id":"w","arc_count":1}`), false)
		return read, write, exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", "arcdrift/v1/K-07/usage", "-m", `{"id":"p","arc_count":1}`).Run()
	}
	agenttest.Soon(t, "its records are read", func() bool { return s.Ready() == nil })
	read, write, publish := try()
	assert.Equal(t, []int{http.StatusOK, http.StatusCreated}, []int{read, write})
	require.NoError(t, publish)

	heard := agenttest.MosquittoSub(t, port, "arcdrift/v1/+/receipt")
	agenttest.Soon(t, "somebody listens", func() bool {
		_, _, publish := try()
		return publish == nil && heard.String() != ""
	})
	agenttest.Account(t, db, "person", "add", "office")
	read, write, publish = try()
	assert.Equal(t, []int{http.StatusUnauthorized, http.StatusUnauthorized}, []int{read, write})
	require.Error(t, publish)
	agenttest.Soon(t, "who came in before is disconnected", func() bool { return strings.Contains(log.String(), "an MQTT client was disconnected") })

	r := agenttest.Run(t, cli.Env{}, "log", "usage", "--machine", "K-07", "--arc-count", "12", "--db", db)
	assert.Zero(t, r.Code, "a command on this computer needs none: %s", r.Err)
	assert.Contains(t, r.Out, "Logged")
	assert.FileExists(t, reach.SocketFile(db))
}

func TestLoopbackWithoutAccountIsASetting(t *testing.T) {
	db := agenttest.DB(t)
	agenttest.Account(t, db, "person", "add", "office")
	config, err := settings(db, func(s *server.Settings) { s.HTTPListen, s.Loopback = "127.0.0.1:0", true })
	require.NoError(t, err)
	s, _, _ := agenttest.Start(t, db, func(c *server.Config) { *c = config })
	agenttest.Soon(t, "its records are read", func() bool { return s.Ready() == nil })
	status, _ := agenttest.AskAs(t, s, "", "", "GET", "/api/v1/alerts", nil, false)
	assert.Equal(t, http.StatusOK, status)
}

// Whoever is neither the agent's user nor root gets nothing by the socket, even
// where its file lets them connect.
func TestTheSocketKnowsWhoSpeaks(t *testing.T) {
	dir, err := os.MkdirTemp("/tmp", "arcdrift-socket-")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chmod(dir, 0o755))
	db := filepath.Join(dir, "a.db")
	s, log, _ := agenttest.Start(t, db, nil)
	agenttest.Soon(t, "its records are read", func() bool { return s.Ready() == nil })
	info, err := os.Stat(reach.SocketFile(db))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoError(t, os.Chmod(reach.SocketFile(db), 0o666))
	ask := func(user uint32) error {
		curl := exec.Command("curl", "-sf", "--unix-socket", reach.SocketFile(db), "http://localhost/api/v1/alerts")
		curl.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: user, Gid: user}}
		return curl.Run()
	}
	require.NoError(t, ask(uint32(os.Geteuid())))
	require.Error(t, ask(65534))
	assert.Contains(t, log.String(), "of user 65534 is neither the agent's user nor root")
}

// A path that is longer than a socket's address may be does as well.
func TestSocketInADeepDirectory(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("d", 60), strings.Repeat("e", 60))
	require.NoError(t, os.MkdirAll(dir, 0o700))
	db := filepath.Join(dir, "arcdrift.db")
	_, _, stop := agenttest.Start(t, db, nil)
	r := agenttest.Run(t, cli.Env{}, "log", "usage", "--machine", "K-07", "--arc-count", "12", "--db", db)
	assert.Zero(t, r.Code, r.Err)
	stop()
	assert.NoFileExists(t, reach.SocketFile(db))
}
