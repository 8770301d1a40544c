package server_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/server"
)

// badInput is what must cost itself only, from every source: each is refused with
// words that help, and nothing else stops.
var badInput = []struct {
	name, payload string
	says          string // in the reason
}{
	{"unknown field", `{"type":"calibration","machine":"K-07","passed":true,"humidity":50}`, "did you mean humidity_pct"},
	{"wrong type", `{"type":"calibration","machine":"K-07","passed":"perhaps"}`, "passed is \"perhaps\": it must be true or false"},
	{"number in quotes", `{"type":"calibration","machine":"K-07","passed":true,"arc_count":"12"}`, "arc_count"},
	{"out of range", `{"type":"calibration","machine":"K-07","passed":true,"humidity_pct":140}`, "humidity_pct is 140: it must be from 0 to 100 percent"},
	{"NaN", `{"type":"calibration","machine":"K-07","passed":true,"temperature_c":NaN}`, "temperature_c is NaN: it must be a number"},
	{"huge number", `{"type":"calibration","machine":"K-07","passed":true,"temperature_c":1e308}`, "temperature_c"},
	{"time without offset", `{"type":"calibration","machine":"K-07","passed":true,"time":"2026-03-02T07:45:00"}`, "offset"},
	{"unknown type", `{"type":"weather","machine":"K-07"}`, "type is \"weather\": it must be one of"},
	{"nothing required", `{"type":"calibration","machine":"K-07"}`, "passed is missing"},
	{"field twice", `{"type":"calibration","machine":"K-07","passed":true,"passed":false}`, "passed is given twice"},
	{"both attempt and attempts", `{"type":"calibration","machine":"K-07","passed":true,"attempt":1,"attempts":2}`, "cannot be combined"},
	{"truncated", `{"type":"calibration","machine":"K-07","pas`, "cut short"},
	{"no machine's name", `{"type":"usage","machine":"../K","arc_count":1}`, "machine is \"../K\""},
	{"NUL in a text", "{\"type\":\"usage\",\"machine\":\"K-07\",\"arc_count\":1,\"site\":\"a\\u0000b\"}", "control characters"},
	{"not UTF-8", "{\"type\":\"usage\",\"machine\":\"K-07\",\"arc_count\":1,\"site\":\"\xff\"}", "UTF-8"},
	{"deep nest", `{"type":"usage","machine":"K-07","arc_count":1,"extra":` + strings.Repeat(`{"a":`, 20_000) + "1" + strings.Repeat("}", 20_000) + "}", ""},
}

func TestBadInputFromAFile(t *testing.T) {
	db := agenttest.DB(t)
	for _, bad := range badInput {
		t.Run(bad.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "in.jsonl")
			require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, "%s\n"+agenttest.Good+"\n", bad.payload, bad.name), 0o600))
			r := agenttest.Run(t, cli.Env{}, "import", "--db", db, file)
			assert.Equal(t, cli.ExitRefused, r.Code)
			assert.Contains(t, r.Err, "line 1: refused: ")
			assert.Contains(t, r.Err, bad.says)
			assert.Contains(t, r.Out, "2 records: 1 taken", "the good record behind it is taken")
		})
	}
}

func TestBadInputOverHTTP(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), nil)
	for _, bad := range badInput {
		t.Run(bad.name, func(t *testing.T) {
			status, body := agenttest.Post(t, s, bad.payload)
			assert.Equal(t, http.StatusBadRequest, status)
			assert.Contains(t, unquoted(t, body), bad.says)
			status, _ = agenttest.Post(t, s, fmt.Sprintf(agenttest.Good, bad.name))
			assert.Equal(t, http.StatusCreated, status, "the next one is taken")
			status, body = agenttest.Post(t, s, bad.payload+"\n"+fmt.Sprintf(agenttest.Good, bad.name))
			assert.Equal(t, http.StatusCreated, status, "a good line beside it is taken")
			assert.Contains(t, body, `"duplicate":true`)
		})
	}
	refused, err := s.Refused()
	require.NoError(t, err)
	assert.Equal(t, len(badInput), refused, "each is kept, once")
}

func TestBadInputOverMQTT(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), nil)
	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	for _, bad := range badInput {
		agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/calibration", []byte(bad.payload))
	}
	agenttest.MosquittoPub(t, port, "arcdrift/v1/K-08/usage", []byte(`{"machine":"K-07","arc_count":1}`))
	refused, err := s.Refused()
	require.NoError(t, err)
	assert.Equal(t, len(badInput)+1, refused, "each is kept, and was acknowledged: mosquitto_pub has ended")
	latest, err := s.Store().Refusals("K-08", 1)
	require.NoError(t, err)
	require.Len(t, latest, 1)
	assert.Equal(t, "machine", latest[0].Problem.Field, "a topic speaks for its machine only")
	agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, agenttest.Good, "g"))
	_, found, err := s.Store().Find("K-07", "g")
	require.NoError(t, err)
	assert.True(t, found)
}

// A body of 10 MB and binary garbage cost themselves only, too.
func TestHugeAndGarbage(t *testing.T) {
	db := agenttest.DB(t)
	s, _, stop := agenttest.Start(t, db, nil)
	huge := `{"type":"usage","machine":"K-07","arc_count":1,"site":"` + strings.Repeat("x", 10<<20) + `"}`
	garbage := string(bytes.Repeat([]byte{0, 255, 10, 13, 128, 7}, 1000))
	status, body := agenttest.Post(t, s, huge)
	assert.Equal(t, http.StatusRequestEntityTooLarge, status)
	assert.Contains(t, body, "1 MiB")
	status, _ = agenttest.Post(t, s, garbage)
	assert.Equal(t, http.StatusBadRequest, status)
	status, _ = agenttest.Post(t, s, fmt.Sprintf(agenttest.Good, "a"))
	assert.Equal(t, http.StatusCreated, status)
	stop()

	file := filepath.Join(t.TempDir(), "huge.jsonl")
	require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, "%s\n"+agenttest.Good, huge, "b"), 0o600))
	r := agenttest.Run(t, cli.Env{}, "import", "--db", db, file)
	assert.Equal(t, cli.ExitRefused, r.Code)
	assert.Contains(t, r.Err, "line 1: refused: the record is longer than 65536 bytes")
	assert.Contains(t, r.Out, "1 taken")
	require.NoError(t, os.WriteFile(file, []byte(garbage), 0o600))
	r = agenttest.Run(t, cli.Env{}, "import", "--db", db, file)
	assert.Contains(t, []int{cli.ExitFailed, cli.ExitRefused}, r.Code)
	assert.Contains(t, r.Err, "line ")
}

// unquoted is the reason in the answer without JSON's escapes.
func unquoted(t *testing.T, answer string) string {
	t.Helper()
	var a struct {
		Reason  string
		Refused *struct{ Reason string }
	}
	require.NoError(t, json.Unmarshal([]byte(answer), &a), answer)
	if a.Refused != nil {
		return a.Refused.Reason
	}
	return a.Reason
}

// From a device's mosquitto_pub through a real mosquitto to the store, and the
// receipt back to a real mosquitto_sub; and again after the broker was killed.
func TestOutsideBrokerToStore(t *testing.T) {
	port := agenttest.FreePort(t)
	kill := agenttest.Mosquitto(t, port)
	s, _, stop := agenttest.Start(t, agenttest.DB(t), func(c *server.Config) {
		c.MQTTListen = ""
		c.Broker = &mqtt.Join{URL: "tcp://127.0.0.1:" + port, ID: "agent"}
	})
	kept := func(id string) bool {
		agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, agenttest.Good, id))
		_, found, err := s.Store().Find("K-07", id)
		require.NoError(t, err)
		return found
	}
	require.Eventually(t, func() bool { return s.Ready() == nil && kept("a") }, 30*time.Second, 50*time.Millisecond)

	receipts := agenttest.MosquittoSub(t, port, "arcdrift/v1/+/receipt")
	require.Eventually(t, func() bool {
		return kept("b") && strings.Contains(receipts.String(), `arcdrift/v1/K-07/receipt {"id":"b","epoch":1,"seq":2,"duplicate":`)
	}, 30*time.Second, 50*time.Millisecond)
	require.Eventually(t, func() bool {
		agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/usage", []byte(`{"arc_count":-1}`))
		return strings.Contains(receipts.String(), `"refused":{"field":"arc_count","reason":"arc_count is -1`)
	}, 30*time.Second, 50*time.Millisecond)

	kill()
	require.Eventually(t, func() bool { return s.Ready() != nil }, 30*time.Second, 10*time.Millisecond)
	agenttest.Mosquitto(t, port)
	require.Eventually(t, func() bool { return kept("c") }, 60*time.Second, 100*time.Millisecond)
	assert.NoError(t, s.Ready())
	stop() // before the broker goes: paho's wait for it cannot be cut short
}

// The state of each machine is published, retained, for whoever asks later.
func TestStatesArePublished(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), nil)
	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, agenttest.Good, "a"))
	states := agenttest.MosquittoSub(t, port, "arcdrift/v1/+/state")
	require.Eventually(t, func() bool {
		return strings.Contains(states.String(), `arcdrift/v1/K-07/state {"machine":"K-07",`)
	}, 30*time.Second, 10*time.Millisecond)
}
