package agent

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

	"arcdrift/agent/mqtt"
)

// badInput is what must cost itself only, at every door: each is refused with
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
	{"field twice", `{"type":"calibration","machine":"K-07","passed":true,"passed":false}`, "passed stands twice"},
	{"both attempt and attempts", `{"type":"calibration","machine":"K-07","passed":true,"attempt":1,"attempts":2}`, "not both"},
	{"truncated", `{"type":"calibration","machine":"K-07","pas`, "cut short"},
	{"no machine's name", `{"type":"usage","machine":"../K","arc_count":1}`, "machine is \"../K\""},
	{"NUL in a text", "{\"type\":\"usage\",\"machine\":\"K-07\",\"arc_count\":1,\"site\":\"a\\u0000b\"}", "control characters"},
	{"not UTF-8", "{\"type\":\"usage\",\"machine\":\"K-07\",\"arc_count\":1,\"site\":\"\xff\"}", "UTF-8"},
	{"deep nest", `{"type":"usage","machine":"K-07","arc_count":1,"extra":` + strings.Repeat(`{"a":`, 20_000) + "1" + strings.Repeat("}", 20_000) + "}", ""},
}

const good = `{"type":"usage","machine":"K-07","id":%q,"arc_count":5,"time":"2026-03-02T07:45:00Z"}`

func TestBadInputFromAFile(t *testing.T) {
	db := tempDB(t)
	for _, bad := range badInput {
		t.Run(bad.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "in.jsonl")
			require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, "%s\n"+good+"\n", bad.payload, bad.name), 0o600))
			r := cli(t, Env{}, "import", "--db", db, file)
			assert.Equal(t, exitRefused, r.code)
			assert.Contains(t, r.say, "line 1: refused: ")
			assert.Contains(t, r.say, bad.says)
			assert.Contains(t, r.answer, "2 records: 1 taken", "the good record behind it is taken")
		})
	}
}

func TestBadInputOverHTTP(t *testing.T) {
	s, _, _ := startServer(t, tempDB(t), nil)
	for _, bad := range badInput {
		t.Run(bad.name, func(t *testing.T) {
			status, body := post(t, s, bad.payload)
			assert.Equal(t, http.StatusBadRequest, status)
			assert.Contains(t, unquoted(t, body), bad.says)
			status, _ = post(t, s, fmt.Sprintf(good, bad.name))
			assert.Equal(t, http.StatusCreated, status, "the next one is taken")
			status, body = post(t, s, bad.payload+"\n"+fmt.Sprintf(good, bad.name))
			assert.Equal(t, http.StatusCreated, status, "a good line beside it is taken")
			assert.Contains(t, body, `"duplicate":true`)
		})
	}
	_, refused, err := records{s.legible, s.ready}.Refused(1)
	require.NoError(t, err)
	assert.Equal(t, len(badInput), refused, "each is kept, once")
}

func TestBadInputOverMQTT(t *testing.T) {
	s, _, _ := startServer(t, tempDB(t), nil)
	_, port, err := net.SplitHostPort(s.broker.Address())
	require.NoError(t, err)
	for _, bad := range badInput {
		mosquittoPub(t, port, "arcdrift/v1/K-07/calibration", []byte(bad.payload))
	}
	mosquittoPub(t, port, "arcdrift/v1/K-08/usage", []byte(`{"machine":"K-07","arc_count":1}`))
	_, refused, err := records{s.legible, s.ready}.Refused(0)
	require.NoError(t, err)
	assert.Equal(t, len(badInput)+1, refused, "each is kept, and was acknowledged: mosquitto_pub has ended")
	latest, err := s.store.Refusals("K-08", 1)
	require.NoError(t, err)
	require.Len(t, latest, 1)
	assert.Equal(t, "machine", latest[0].Problem.Field, "a topic speaks for its machine only")
	mosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, good, "g"))
	_, found, err := s.store.Find("K-07", "g")
	require.NoError(t, err)
	assert.True(t, found)
}

// A body of 10 MB and binary garbage cost themselves only, too.
func TestHugeAndGarbage(t *testing.T) {
	db := tempDB(t)
	s, _, stop := startServer(t, db, nil)
	huge := `{"type":"usage","machine":"K-07","arc_count":1,"site":"` + strings.Repeat("x", 10<<20) + `"}`
	garbage := string(bytes.Repeat([]byte{0, 255, 10, 13, 128, 7}, 1000))
	status, body := post(t, s, huge)
	assert.Equal(t, http.StatusRequestEntityTooLarge, status)
	assert.Contains(t, body, "1 MiB")
	status, _ = post(t, s, garbage)
	assert.Equal(t, http.StatusBadRequest, status)
	status, _ = post(t, s, fmt.Sprintf(good, "a"))
	assert.Equal(t, http.StatusCreated, status)
	stop()

	file := filepath.Join(t.TempDir(), "huge.jsonl")
	require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, "%s\n"+good, huge, "b"), 0o600))
	r := cli(t, Env{}, "import", "--db", db, file)
	assert.Equal(t, exitRefused, r.code)
	assert.Contains(t, r.say, "line 1: refused: the record is longer than 65536 bytes")
	assert.Contains(t, r.answer, "1 taken")
	require.NoError(t, os.WriteFile(file, []byte(garbage), 0o600))
	r = cli(t, Env{}, "import", "--db", db, file)
	assert.Contains(t, []int{exitFailed, exitRefused}, r.code)
	assert.Contains(t, r.say, "line ")
}

func post(t *testing.T, s *server, body string) (status int, answer string) {
	t.Helper()
	resp, err := http.Post(s.url()+"/api/v1/records", "application/json", strings.NewReader(body))
	require.NoError(t, err)
	var b bytes.Buffer
	_, err = b.ReadFrom(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return resp.StatusCode, b.String()
}

// unquoted is the reason in the answer without JSON's escapes.
func unquoted(t *testing.T, answer string) string {
	t.Helper()
	var a remoteReceipt
	require.NoError(t, json.Unmarshal([]byte(answer), &a), answer)
	if a.Refused != nil {
		return a.Refused.Reason
	}
	return a.Reason
}

// From a device's mosquitto_pub through a real mosquitto to the store, and the
// receipt back to a real mosquitto_sub; and again after the broker was killed.
func TestOutsideBrokerToStore(t *testing.T) {
	port := freeTCPPort(t)
	kill := startMosquitto(t, port)
	s, _, stop := startServer(t, tempDB(t), func(c *Config) {
		c.MQTTListen = ""
		c.Broker = &mqtt.Join{URL: "tcp://127.0.0.1:" + port, ID: "agent"}
	})
	kept := func(id string) bool {
		mosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, good, id))
		_, found, err := s.store.Find("K-07", id)
		require.NoError(t, err)
		return found
	}
	require.Eventually(t, func() bool { return s.ready() == nil && kept("a") }, 30*time.Second, 50*time.Millisecond)

	receipts := mosquittoSub(t, port, "arcdrift/v1/+/receipt")
	require.Eventually(t, func() bool {
		return kept("b") && strings.Contains(receipts.String(), `arcdrift/v1/K-07/receipt {"id":"b","epoch":1,"seq":2,"duplicate":`)
	}, 30*time.Second, 50*time.Millisecond)
	require.Eventually(t, func() bool {
		mosquittoPub(t, port, "arcdrift/v1/K-07/usage", []byte(`{"arc_count":-1}`))
		return strings.Contains(receipts.String(), `"refused":{"field":"arc_count","reason":"arc_count is -1`)
	}, 30*time.Second, 50*time.Millisecond)

	kill()
	require.Eventually(t, func() bool { return s.ready() != nil }, 30*time.Second, 10*time.Millisecond)
	startMosquitto(t, port)
	require.Eventually(t, func() bool { return kept("c") }, 60*time.Second, 100*time.Millisecond)
	assert.NoError(t, s.ready())
	stop() // before the broker goes: paho's wait for it cannot be cut short
}

// The state of each machine is told, retained, to whoever asks later.
func TestStatesAreTold(t *testing.T) {
	s, _, _ := startServer(t, tempDB(t), nil)
	_, port, err := net.SplitHostPort(s.broker.Address())
	require.NoError(t, err)
	mosquittoPub(t, port, "arcdrift/v1/K-07/usage", fmt.Appendf(nil, good, "a"))
	states := mosquittoSub(t, port, "arcdrift/v1/+/state")
	require.Eventually(t, func() bool {
		return strings.Contains(states.String(), `arcdrift/v1/K-07/state {"machine":"K-07",`)
	}, 30*time.Second, 10*time.Millisecond)
}
