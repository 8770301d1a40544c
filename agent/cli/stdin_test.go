package cli_test

import (
	"bytes"
	"context"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
)

// Ctrl-C ends a command that waits for its input. Before, nothing did but kill -9.
func TestCommandsThatWaitForInputCanBeInterrupted(t *testing.T) {
	for name, args := range map[string][]string{
		"import":     {"import", "-"},
		"log":        {"log", "usage"},
		"site-check": {"site-check", "--batch", "-"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			in, typed := io.Pipe()
			defer typed.Close() // ends the read that waits
			ctx, interrupt := context.WithCancel(t.Context())
			var out, log bytes.Buffer
			done := make(chan int, 1)
			go func() {
				done <- cli.Run(ctx, cli.Env{Program: "arcdrift", Args: append(args, "--db", agenttest.FilledStore(t, 10)), Stdin: in, Stdout: &out, Stderr: &log, Terminal: name == "log", Now: func() time.Time { return agenttest.Now }})
			}()
			interrupt()
			select {
			case code := <-done:
				assert.Equal(t, cli.ExitFailed, code)
				assert.Contains(t, log.String(), "interrupted")
			case <-time.After(agenttest.Patience):
				require.Fail(t, "it goes on waiting")
			}
		})
	}
}
