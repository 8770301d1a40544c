package server_test

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/alert"
	"arcdrift/agent/cli"
)

// Who is forgotten while an agent runs does not come back into the store by what it
// had in memory, nor is the name on a page, in an answer or in the log.
func TestForgottenByARunningAgent(t *testing.T) {
	const name = "Ines Varga"
	db := agenttest.DB(t)
	s, log, stop := agenttest.Start(t, db, nil)
	for _, record := range []string{
		`{"type":"service","machine":"K-07","operator":"Ines Varga","time":"2026-03-01T08:00:00Z","action":"cleaned","finding":"dirty"}`,
		`{"type":"service","machine":"K-07","id":"s-1","operator":"Jo Lund","time":"2026-03-01T09:00:00Z","action":"cleaned","finding":"dirty"}`,
		`{"type":"correction","machine":"K-07","corrects":"s-1","reason":"slip","operator":"Ines Varga","time":"2026-03-01T10:00:00Z","fields":{"operator":"Ines Varga"}}`,
	} {
		status, answer := agenttest.Post(t, s, record)
		require.Equal(t, http.StatusCreated, status, answer)
	}
	status, _ := agenttest.Post(t, s, `{"type":"service","machine":"K-07","operator":"Ines Varga","action":"polished"}`)
	require.Equal(t, http.StatusBadRequest, status)
	life := agenttest.Wearing("K-08", agenttest.Now)
	status, answer := agenttest.Post(t, s, strings.Join(life, "\n"))
	require.Equal(t, http.StatusCreated, status, answer)
	agenttest.Soon(t, "the case is open", func() bool { return len(s.Alerts().Open()) == 1 })
	require.NoError(t, s.Alerts().Acknowledge("K-08", alert.MustStop, name))
	paths := []string{"/machines/K-07", "/refused", "/api/v1/machines/K-07/records", "/api/v1/records", "/api/v1/records?format=csv"}
	for _, path := range paths {
		require.Contains(t, agenttest.Fetch(t, s.URL()+path), name, "%s shows it as long as it is known", path)
	}

	r := agenttest.Run(t, cli.Env{}, "person", "forget", "--db", db, name)
	require.Zero(t, r.Code, r.Err)
	for _, path := range append(paths, "/", "/alerts", "/api/v1/alerts", "/metrics") {
		assert.NotContains(t, agenttest.Fetch(t, s.URL()+path), name, path)
	}
	before := s.Alerts().RecordsSeen("K-07")
	status, answer = agenttest.Post(t, s, fmt.Sprintf(agenttest.Good, "later"))
	require.Equal(t, http.StatusCreated, status, answer)
	decidedOn(t, s, "K-07", before+1)
	assert.NotContains(t, log.String(), name)
	stop()
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	assert.False(t, bytes.Contains(raw, []byte(name)))
	assert.True(t, strings.HasPrefix(r.Out, "Forgotten. The records show person-"), r.Out)
}
