package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"os"
	"strings"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The example configuration names every setting, with its default.
func TestExampleConfiguration(t *testing.T) {
	root := cli.RootCommand(cli.Env{})
	serve, _, err := root.Find([]string{"serve"})
	require.NoError(t, err)
	file := agenttest.Path(t, "cmd/arcdrift/packaging/arcdrift.toml")
	require.NoError(t, cli.ReadConfig(file, serve.Flags()))
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
