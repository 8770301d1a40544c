package agent

import (
	"bytes"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
)

// Who is forgotten while an agent runs does not come back into the store by what it
// had in memory, nor is the name on a page, in an answer or in the log.
func TestForgottenByARunningAgent(t *testing.T) {
	const name = "Ines Varga"
	db := tempDB(t)
	s, log, stop := startServer(t, db, nil)
	for _, record := range []string{
		`{"type":"service","machine":"K-07","operator":"Ines Varga","time":"2026-03-01T08:00:00Z","action":"cleaned","finding":"dirty"}`,
		`{"type":"service","machine":"K-07","id":"s-1","operator":"Jo Lund","time":"2026-03-01T09:00:00Z","action":"cleaned","finding":"dirty"}`,
		`{"type":"correction","machine":"K-07","corrects":"s-1","reason":"slip","operator":"Ines Varga","time":"2026-03-01T10:00:00Z","fields":{"operator":"Ines Varga"}}`,
	} {
		status, answer := post(t, s, record)
		require.Equal(t, http.StatusCreated, status, answer)
	}
	status, _ := post(t, s, `{"type":"service","machine":"K-07","operator":"Ines Varga","action":"polished"}`)
	require.Equal(t, http.StatusBadRequest, status)
	a := s.alerts.inForce
	a.mu.Lock()
	err := a.keep(alert.State{Cases: []alert.Case{{Subject: "K-07", Rule: alert.ElectrodesDue, Phase: alert.Open, Acknowledged: &alert.Acknowledgement{By: name, At: scriptMoment}}}}, nil, nil)
	a.mu.Unlock()
	require.NoError(t, err)
	require.Eventually(t, func() bool { return s.mind.Ready() == nil }, time.Minute, time.Millisecond)
	paths := []string{"/machines/K-07", "/refused", "/api/v1/machines/K-07/records", "/api/v1/records", "/api/v1/records?format=csv"}
	for _, path := range paths {
		require.Contains(t, fetch(t, s.url()+path), name, "%s shows it as long as it is known", path)
	}

	r := cli(t, Env{}, "person", "forget", "--db", db, name)
	require.Zero(t, r.code, r.say)
	for _, path := range append(paths, "/", "/alerts", "/api/v1/alerts", "/metrics") {
		assert.NotContains(t, fetch(t, s.url()+path), name, path)
	}
	require.NoError(t, s.alerts.inForce.step(s.mind.Snapshot()))
	assert.NotContains(t, log.String(), name)
	stop()
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	assert.False(t, bytes.Contains(raw, []byte(name)))
	assert.True(t, strings.HasPrefix(r.answer, "Forgotten. The records show person-"), r.answer)
}
