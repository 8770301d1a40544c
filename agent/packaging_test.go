package agent

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var packaging = filepath.Join("..", "cmd", "arcdrift", "packaging")

// The example configuration names every setting, with its default.
func TestExampleConfiguration(t *testing.T) {
	root := rootCommand(Env{})
	serve, _, err := root.Find([]string{"serve"})
	require.NoError(t, err)
	file := filepath.Join(packaging, "arcdrift.toml")
	require.NoError(t, readConfig(file, serve.Flags()))
	raw, err := os.ReadFile(file)
	require.NoError(t, err)
	serve.Flags().VisitAll(func(f *pflag.Flag) {
		if f.Name == "config" {
			return
		}
		assert.Equal(t, f.DefValue, f.Value.String(), f.Name)
		assert.Contains(t, string(raw), "\n"+strings.ReplaceAll(f.Name, "-", "_")+" = ", "the example leaves out %s", f.Name)
	})
}

// The unit is one that systemd understands and finds safe: at most 2.0 of its
// own scale, on which it calls up to 2.0 safe (systemd-analyze(1)).
func TestSystemdUnit(t *testing.T) {
	unit, err := os.ReadFile(filepath.Join(packaging, "arcdrift.service"))
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
	root := rootCommand(Env{})
	cmd, rest, err := root.Find(args)
	require.NoError(t, err)
	require.NoError(t, cmd.ParseFlags(rest), "%v", args)
	if len(args) > 0 {
		require.NotSame(t, root, (*cobra.Command)(cmd))
	}
}
