package agent_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
)

// firstProcess makes a computer of its own for a systemd: it sees this one's
// programs, and whatever it writes is gone with it. It knows the units in UNITS and no
// others, so nothing but them is started; /etc/arcdrift and /etc/arcdrift.toml are
// those of ETC.
const firstProcess = `set -e
mount --make-rprivate /
mount -t tmpfs tmpfs /mnt
mkdir -p /mnt/etc /mnt/etcwork /mnt/bin /mnt/binwork
cp -a "$UNITS" /mnt/units
cp -a "$PROGRAM" /mnt/bin/arcdrift
mount -t overlay overlay -o lowerdir=/etc,upperdir=/mnt/etc,workdir=/mnt/etcwork /etc
mount -t overlay overlay -o lowerdir=/usr/bin,upperdir=/mnt/bin,workdir=/mnt/binwork /usr/bin
cp -a "$ETC"/. /etc/
chown -R 0:0 /etc/arcdrift /etc/arcdrift.toml
mount -t proc proc /proc
for d in /run /var/lib /var/log /var/backups; do mount -t tmpfs -o mode=755 tmpfs $d; done
mount -t tmpfs -o mode=1777 tmpfs /tmp
mount --make-rshared /
exec env -i "PATH=$PATH" container=test SYSTEMD_UNIT_PATH=/mnt/units /lib/systemd/systemd --system --unit=goal.target --log-target=null --show-status=0
`

// bootUnit starts a real systemd as the first process of a computer of its own, with
// the shipped unit and these files in its /etc. It returns how to run a command there.
func bootUnit(t *testing.T, etc string) (there func(name string, args ...string) *exec.Cmd) {
	t.Helper()
	units, program := t.TempDir(), filepath.Join(t.TempDir(), "arcdrift")
	build := exec.Command("go", "build", "-o", program, "./cmd/arcdrift")
	build.Dir, build.Env = "..", append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, empty := range []string{"sysinit", "basic", "network-online", "shutdown"} {
		require.NoError(t, os.WriteFile(filepath.Join(units, empty+".target"), []byte("[Unit]\n"), 0o644))
	}
	require.NoError(t, os.WriteFile(filepath.Join(units, "goal.target"), []byte("[Unit]\nWants=arcdrift.service\n"), 0o644))
	for _, name := range []string{"arcdrift.service", "arcdrift-backup.service", "arcdrift-backup.timer"} {
		raw, err := os.ReadFile(agenttest.Path(t, "cmd/arcdrift/packaging/"+name))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(units, name), raw, 0o644))
	}

	cmd := exec.Command("unshare", "--mount", "--pid", "--uts", "--ipc", "--cgroup", "--fork", "--kill-child", "sh", "-c", firstProcess)
	cmd.Env = append(os.Environ(), "UNITS="+units, "PROGRAM="+program, "ETC="+etc)
	said := &agenttest.Buffer{}
	cmd.Stdout, cmd.Stderr = said, said
	require.NoError(t, cmd.Start(), "this takes root and util-linux")
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // and all that runs there with it
		_ = cmd.Wait()
	})
	there = func(name string, args ...string) *exec.Cmd {
		children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", cmd.Process.Pid, cmd.Process.Pid))
		require.NoError(t, err, "%s", said)
		return exec.Command("nsenter", append([]string{"--target", strings.TrimSpace(string(children)), "--mount", "--pid", name}, args...)...)
	}
	require.Eventually(t, func() bool { return there("systemctl", "show", "arcdrift.service").Run() == nil }, 2*time.Minute, 100*time.Millisecond, "systemd does not start: %s", said)
	return there
}

// property is what systemd says of the unit.
func property(t *testing.T, there func(string, ...string) *exec.Cmd, name string) string {
	t.Helper()
	out, err := there("systemctl", "show", "arcdrift.service", "--value", "-p", name).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return strings.TrimSpace(string(out))
}

// The shipped unit as a real systemd runs it: with a certificate and a secret that
// are root's and nobody else's to read, made as the manual says, it becomes ready as
// a user without rights, shows that certificate, takes a new one at a restart and
// stops in good order. It could not read them before the unit handed them over.
func TestTheUnitRuns(t *testing.T) {
	etc, address := t.TempDir(), "127.0.0.1:"+agenttest.FreePort(t)
	dir := filepath.Join(etc, "arcdrift")
	r := agenttest.Run(t, cli.Env{Now: time.Now}, "certificate", "--host", "127.0.0.1", "--dir", dir)
	require.Zero(t, r.Code, r.Err)
	require.NoError(t, os.Mkdir(filepath.Join(dir, "secrets"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "secrets", "ops.secret"), []byte("whsec_c2VjcmV0c2VjcmV0c2VjcmV0c2VjcmV0\n"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(etc, "arcdrift.toml"), fmt.Appendf(nil, `http_listen = %q
tls_cert = "/etc/arcdrift/server.pem"
tls_key = "/etc/arcdrift/server.key"
alert_channel = ["ops=https://127.0.0.1:9/"]
alert_secret = ["ops=/etc/arcdrift/secrets/ops.secret"]
`, address), 0o644))
	there := bootUnit(t, etc)
	active := func() {
		t.Helper()
		require.Eventually(t, func() bool { return property(t, there, "ActiveState") == "active" }, 2*time.Minute, 100*time.Millisecond,
			"%s, exit %s", property(t, there, "Result"), property(t, there, "ExecMainStatus"))
	}
	active()

	roots := x509.NewCertPool()
	authority, err := os.ReadFile(filepath.Join(dir, auth.AuthorityFile))
	require.NoError(t, err)
	require.True(t, roots.AppendCertsFromPEM(authority))
	first := agenttest.ServedCertificate(t, address, roots)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, DisableKeepAlives: true}}
	resp, err := client.Get("https://" + address + "/healthz")
	require.NoError(t, err)
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	assert.Equal(t, "ok\n", string(body))

	main := property(t, there, "MainPID")
	user, err := there("stat", "-c", "%U %u", "/proc/"+main).Output()
	require.NoError(t, err)
	assert.Contains(t, string(user), "arcdrift ", "a user of its own")
	mode, err := there("stat", "-L", "-c", "%a", "/var/lib/arcdrift").Output()
	require.NoError(t, err)
	assert.Equal(t, "700\n", string(mode))
	handed, err := there("ls", "/run/credentials/arcdrift.service").Output()
	require.NoError(t, err)
	assert.Equal(t, "secret\nsecret_ops.secret\nserver.key\nserver.pem\n", string(handed), "and not the authority's key")

	out, err := there("systemctl", "reload", "arcdrift.service").CombinedOutput()
	require.NoError(t, err, "%s", out)
	active()
	for _, args := range [][]string{
		{"/usr/bin/arcdrift", "certificate", "--host", "127.0.0.1", "--dir", "/etc/arcdrift"},
		{"systemctl", "restart", "arcdrift.service"},
	} {
		out, err := there(args[0], args[1:]...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	active()
	assert.NotEqual(t, first.SerialNumber, agenttest.ServedCertificate(t, address, roots).SerialNumber, "a restart takes the new certificate")
	out, err = there("systemctl", "stop", "arcdrift.service").CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Equal(t, "success", property(t, there, "Result"))
}

// The shipped timer's service copies the store of the agent that runs.
func TestTheBackupUnitRuns(t *testing.T) {
	etc := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(etc, "arcdrift"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(etc, "arcdrift.toml"), fmt.Appendf(nil, "http_listen = %q\n", "127.0.0.1:"+agenttest.FreePort(t)), 0o644))
	there := bootUnit(t, etc)
	require.Eventually(t, func() bool { return property(t, there, "ActiveState") == "active" }, 2*time.Minute, 100*time.Millisecond)
	for _, args := range [][]string{
		{"/usr/bin/arcdrift", "log", "usage", "--db", "/var/lib/arcdrift/arcdrift.db", "--machine", "K-07", "--arc-count", "5"},
		{"systemctl", "start", "arcdrift-backup.service"},
		{"systemctl", "stop", "arcdrift.service"},
		{"/bin/sh", "-c", "/usr/bin/arcdrift verify --db /var/backups/arcdrift/*.db"},
		{"/bin/sh", "-c", "/usr/bin/arcdrift restore --db /var/lib/arcdrift/arcdrift.db /var/backups/arcdrift/*.db && chown --reference=/var/lib/private/arcdrift /var/lib/private/arcdrift/*"},
		{"systemctl", "start", "arcdrift.service"},
		{"systemctl", "start", "arcdrift-backup.timer"},
	} {
		out, err := there(args[0], args[1:]...).CombinedOutput()
		require.NoError(t, err, "%v: %s", args, out)
	}
	mode, err := there("stat", "-c", "%a", "/var/backups/arcdrift").Output()
	require.NoError(t, err)
	assert.Equal(t, "700\n", string(mode))
}

// Without any file in /etc/arcdrift the unit starts too.
func TestTheUnitRunsWithoutSecrets(t *testing.T) {
	etc := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(etc, "arcdrift"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(etc, "arcdrift.toml"), fmt.Appendf(nil, "http_listen = %q\n", "127.0.0.1:"+agenttest.FreePort(t)), 0o644))
	there := bootUnit(t, etc)
	require.Eventually(t, func() bool { return property(t, there, "ActiveState") == "active" }, 2*time.Minute, 100*time.Millisecond,
		"%s, exit %s", property(t, there, "Result"), property(t, there, "ExecMainStatus"))
}
