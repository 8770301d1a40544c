package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"net"
	"os/exec"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Whatever is wrong with a command line is said in one plain sentence.
func TestWrongCommandLines(t *testing.T) {
	for line, says := range map[string]string{
		"bake":                              `unknown command "bake"; see arcdrift --help`,
		"assses":                            `unknown command "assses", did you mean assess?`,
		"device ad":                         `unknown command "ad", did you mean add?`,
		"log bake":                          `unknown command "bake"; see arcdrift log --help`,
		"log":                               `say what to log: calibration, service, usage, splice, setup, correction or decision`,
		"help bake":                         `unknown command or help topic "bake"; see arcdrift --help`,
		"import":                            `FILE is missing; see arcdrift import --help`,
		"backup":                            `FILE is missing; see arcdrift backup --help`,
		"backup a.db b.db":                  `unexpected argument "b.db"; see arcdrift backup --help`,
		"person remove":                     `NAME is missing; see arcdrift person remove --help`,
		"assess everything":                 `unexpected argument "everything"; see arcdrift assess --help`,
		"assess --machin K-07":              `unknown flag --machin; see arcdrift assess --help`,
		"assess -m K-07":                    `unknown flag -m; see arcdrift assess --help`,
		"assess --machine":                  `--machine requires a value`,
		"assess --as-of noon":               `--as-of is "noon": it must be a time with its offset, like 2026-03-02T18:00:00+01:00`,
		"assess --format xml":               `--format is "xml": it must be one of text, json, csv`,
		"certificate --host A":              `"A" is neither a name in small letters, like van-4.example, nor an address`,
		"person add ../x":                   `the name is "../x": it must be letters, digits, dots, dashes and underscores, at most 64`,
		"demo --seed x":                     `--seed is "x": it must be a whole number, 0 or more`,
		"demo --seed -1":                    `--seed is "-1": it must be a whole number, 0 or more`,
		"serve --alert-quiet long":          `--alert-quiet is "long": it must be a duration like 2h or 30m`,
		"report --sent=perhaps":             `--sent is "perhaps": it must be true or false`,
		"serve --profile-listen :6060":      `profile-listen is ":6060": profiles are served on this computer only, on an address like 127.0.0.1:6060`,
		"serve --http-listen 127.0.0.1":     `http-listen is "127.0.0.1": it must be an address and a port, like 127.0.0.1:8470`,
		"serve --http-listen [::1]:8470000": `http-listen is "[::1]:8470000": it must be an address and a port, like 127.0.0.1:8470`,
	} {
		r := agenttest.Run(t, cli.Env{}, strings.Fields(line)...)
		assert.Equal(t, cli.ExitUsage, r.Code, line)
		assert.Equal(t, "arcdrift: "+says+"\n", r.Err, line)
	}
	r := agenttest.Run(t, cli.Env{Environ: []string{"ARCDRIFT_LOG_LEVEL=loud"}}, "serve")
	assert.Equal(t, cli.ExitUsage, r.Code)
	assert.Equal(t, "arcdrift: the environment variable ARCDRIFT_LOG_LEVEL is \"loud\": it must be one of debug, info, warn, error\n", r.Err)
}

// Everything a person may have to look up stands in the help: what each flag is,
// and nothing of how a program keeps it.
func TestHelpReadsPlainly(t *testing.T) {
	for _, args := range [][]string{nil, {"help"}, {"--help"}} {
		r := agenttest.Run(t, cli.Env{}, args...)
		require.Equal(t, cli.ExitDone, r.Code)
		for _, say := range []string{"Available Commands:", "completion", "ARCDRIFT_DB", "3 "} {
			assert.Contains(t, r.Out, say)
		}
	}
	assert.Equal(t, agenttest.Run(t, cli.Env{}, "device", "add", "--help").Out, agenttest.Run(t, cli.Env{}, "help", "device", "add").Out)
	assert.Contains(t, agenttest.Run(t, cli.Env{}, "device").Out, "Available Commands:")
	walk(cli.RootCommand(cli.Env{}), func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			kind, usage := pflag.UnquoteUsage(f)
			assert.NotEmpty(t, usage, "%s --%s", c.CommandPath(), f.Name)
			assert.Equal(t, strings.TrimSpace(strings.TrimSuffix(usage, ".")), usage, "%s --%s", c.CommandPath(), f.Name)
			if kind != strings.ToUpper(kind) {
				assert.Contains(t, kind, "|", "%s --%s %s names the value as a program does", c.CommandPath(), f.Name, kind)
			}
		})
	})
}

// The shells' completions are scripts that their shell reads, and values of which
// there are few are offered.
func TestCompletion(t *testing.T) {
	script := agenttest.Run(t, cli.Env{}, "completion", "bash")
	require.Equal(t, cli.ExitDone, script.Code)
	check := exec.Command("bash", "-n")
	check.Stdin = strings.NewReader(script.Out)
	out, err := check.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for line, offered := range map[string]string{
		"assess --format": "text json csv", "serve --log-level": "debug info warn error", "person add ines --role": "reader crew bench manager",
		"log ca": "calibration",
	} {
		args := strings.Fields("__complete " + line)
		if strings.Contains(line, "--") {
			args = append(args, "")
		}
		r := agenttest.Run(t, cli.Env{}, args...)
		for word := range strings.FieldsSeq(offered) {
			assert.Contains(t, "\n"+strings.ReplaceAll(r.Out, "\t", "\n"), "\n"+word+"\n", line)
		}
	}
}

// What the surroundings refuse is said with what to do about it.
func TestPortInUse(t *testing.T) {
	other, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, other.Close()) }()
	for _, setting := range []string{"http-listen", "mqtt-listen", "profile-listen"} {
		args := []string{"serve", "--db", agenttest.DB(t), "--http-listen", "127.0.0.1:0", "--" + setting, other.Addr().String()}
		r := agenttest.Run(t, cli.Env{}, args...)
		assert.Equal(t, cli.ExitFailed, r.Code)
		assert.Contains(t, r.Err, "arcdrift: "+setting+" "+other.Addr().String()+" is taken: another program listens there, perhaps another agent; stop it or set another port")
	}
}
