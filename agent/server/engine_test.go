package server_test

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"arcdrift/agent/store/storetest"
)

// inMemory is an engine whose store nobody has to itself, as that of a database.
type inMemory struct{ store *storetest.Memory }

func (m inMemory) Open(context.Context, reach.Location, reach.Use) (reach.Store, error) {
	return m.store, nil
}
func (inMemory) MustBe(reach.Location) error { return nil }

// The same agent and the same commands work on a store that is no file. What only a file
// can do they say.
func TestAnyStore(t *testing.T) {
	engine := inMemory{&storetest.Memory{}}
	db := agenttest.DB(t)
	run := func(stdin string, args ...string) agenttest.Result {
		env := cli.Env{Stdin: strings.NewReader(stdin), Variant: cli.Variant{Engine: engine}}
		return agenttest.Run(t, env, append(args, "--db", db)...)
	}
	r := run(manyCounts("K-07", 3), "import", "-")
	require.Zero(t, r.Code, r.Err)
	config := agenttest.Settings(t, db, func(s *server.Settings) { s.HTTPListen = "127.0.0.1:0" })
	log := &agenttest.Buffer{}
	s, err := server.New(config, server.Env{Log: log, Now: func() time.Time { return agenttest.Now }, Engine: engine})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	agenttest.Soon(t, "the agent is ready", func() bool { return s.Ready() == nil })

	status, body := agenttest.Got(t, s.URL()+"/api/v1/machines")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, `"machine":"K-07"`)
	status, body = agenttest.Got(t, s.URL()+"/api/v1/backup")
	assert.Equal(t, http.StatusNotImplemented, status)
	assert.Contains(t, body, "database's own tools")
	said := run("", "assess", "--format", "json")
	assert.Contains(t, said.Out, `"machine":"K-07"`, "a command need not ask the agent")
	out := run("", "export")
	assert.Equal(t, strings.Count(manyCounts("K-07", 3), "\n"), strings.Count(out.Out, "\n"))
	for _, args := range [][]string{{"spares"}, {"report", "--sent"}, {"look-back"}} {
		r := run("", args...)
		assert.Zero(t, r.Code, "%v: %s", args, r.Err)
	}
	stop()
	require.NoError(t, <-done)

	config.KeepCounts = 100
	_, err = server.New(config, server.Env{Log: log, Now: func() time.Time { return agenttest.Now }, Engine: engine})
	require.ErrorContains(t, err, "keep-counts")
	copied := run("", "backup", db+".copy")
	assert.Equal(t, cli.ExitFailed, copied.Code)
	assert.Contains(t, copied.Err, "database's own tools")
}
