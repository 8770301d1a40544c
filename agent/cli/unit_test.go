package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The unit is one that systemd understands and finds safe: at most 2.0 of its
// own scale, on which it calls up to 2.0 safe (systemd-analyze(1)).
func TestSystemdUnit(t *testing.T) {
	unit, err := os.ReadFile(agenttest.Path(t, "cmd/arcdrift/packaging/arcdrift.service"))
	require.NoError(t, err)
	copied := filepath.Join(t.TempDir(), "arcdrift.service")
	self, err := os.Executable()
	require.NoError(t, err)
	line := regexp.MustCompile(`(?m)^ExecStart=(/usr/bin/arcdrift)( .*)$`).FindSubmatch(unit)
	require.NotNil(t, line)
	parses(t, strings.Fields(string(line[2])))
	require.NoError(t, os.WriteFile(copied, []byte(strings.ReplaceAll(string(unit), string(line[1]), self)), 0o644))
	out, err := exec.Command("systemd-analyze", "verify", "--man=no", copied).CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.NotContains(t, string(out), copied, "systemd warns")
	out, err = exec.Command("systemd-analyze", "security", "--offline=true", "--threshold=20", copied).CombinedOutput()
	assert.NoError(t, err, "%s", out)
}

// parses demands that the program knows the command and its flags.
func parses(t *testing.T, args []string) {
	t.Helper()
	root := cli.RootCommand(cli.Env{})
	cmd, rest, err := root.Find(args)
	require.NoError(t, err)
	require.NoError(t, cmd.ParseFlags(rest), "%v", args)
	if len(args) > 0 {
		require.NotSame(t, root, cmd)
	}
}
