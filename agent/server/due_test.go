package server_test

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/server"
	"arcdrift/drift/advise"
)

// stateOf is the retained state of a machine at the agent's broker.
func stateOf(t *testing.T, s *server.Server, machine string) (a advise.Assessment) {
	t.Helper()
	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	out, err := exec.Command("mosquitto_sub", "-p", port, "-t", "arcdrift/v1/"+machine+"/state", "-C", "1", "-W", "20").Output()
	if err != nil {
		return advise.Assessment{} // nothing is published yet
	}
	require.NoError(t, json.Unmarshal(out, &a))
	return a
}

// A check that is due is shown alike wherever people and programs look; a pass over
// another source ends it everywhere.
func TestDueIsTheSameEverywhere(t *testing.T) {
	db := agenttest.DB(t)
	s, _, _ := agenttest.Start(t, db, nil)
	at := func(minutes int) string {
		return agenttest.Now.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339)
	}
	status, body := agenttest.Post(t, s, fmt.Sprintf(`{"type":"calibration","machine":"K-07","site":"Mill Lane","time":%q,"passed":true,"temperature_c":18,"humidity_pct":50,"altitude_m":200}
{"type":"service","machine":"K-07","time":%q,"action":"replaced","finding":"worn"}
`, at(-120), at(-60)))
	require.Equal(t, http.StatusCreated, status, body)
	const why = "The electrodes were replaced on"
	due := func() bool {
		return strings.Contains(agenttest.Read(t, s, "/api/v1/machines/K-07"), `"due":{"reason":"electrode-service"`)
	}
	require.Eventually(t, due, time.Minute, 10*time.Millisecond)
	for path, says := range map[string][]string{
		"/api/v1/machines":             {`"state":"check-first"`, `"due":{"reason":"electrode-service"`, `"used_since":false`, why},
		"/":                            {"Check first", "Calibrate before the next splice."},
		"/machines":                    {"Check first", why, "Calibrate before the next splice."},
		"/machines/K-07":               {"Check first", why, "Electrode service", "not used since"},
		"/morning":                     {"Check first", why},
		"/morning.txt":                 {"CHECK FIRST", "K-07", why},
		"/metrics":                     {`arcdrift_check_due{machine="K-07",reason="electrode-service"} 1`, `arcdrift_machine_state{machine="K-07",state="check-first"} 1`},
		"/api/v1/offline?machine=K-07": {`"reason":"electrode-service"`, why},
		"/api/v1/site-check?machine=K-07&temperature_c=18&humidity_pct=50&altitude_m=200": {`"answer":"recalibrate"`, why, "conditioning arcs of the new pair first"},
		"/moved?machine=K-07&temperature_c=18&humidity_pct=50&altitude_m=200":             {"Recalibrate now", why},
	} {
		seen := agenttest.Read(t, s, path)
		for _, text := range says {
			assert.Contains(t, seen, text, path)
		}
	}
	require.Eventually(t, func() bool {
		a := stateOf(t, s, "K-07")
		return a.State == advise.CheckFirst && a.Due != nil && a.Due.Reason == advise.ElectrodeWork
	}, time.Minute, time.Millisecond)
	r := agenttest.Run(t, cli.Env{}, "assess", "--machine", "K-07", "--db", db)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Contains(t, r.Out, why)

	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/calibration", fmt.Appendf(nil, `{"time":%q,"passed":true,"temperature_c":18}`, at(-30)))
	require.Eventually(t, func() bool { return !due() }, time.Minute, 10*time.Millisecond)
	assert.Contains(t, agenttest.Read(t, s, "/api/v1/machines"), `"due":null`)
	assert.NotContains(t, agenttest.Read(t, s, "/metrics"), "arcdrift_check_due{")
	assert.NotContains(t, agenttest.Read(t, s, "/machines"), why)
	require.Eventually(t, func() bool { a := stateOf(t, s, "K-07"); return a.State == advise.Fit && a.Due == nil }, time.Minute, time.Millisecond)
}
