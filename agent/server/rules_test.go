package server_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/faulttest"
)

// beyond are the records by which a device of K-07 would reach beyond its machine.
var beyond = []string{
	`{"type":"setup","machine":"K-07","scope":"fleet","check_minutes":1000`,
	`{"type":"setup","scope":"fleet","check_minutes":1000`,
	`{"type":"setup","machine":"K-07","scope":"fleet","name":"K-07","attempt_limit":20`,
	`{"type":"setup","machine":"K-07","scope":"model","name":"type-2","check_minutes":1000`,
	`{"type":"setup","machine":"K-07","scope":"site","name":"Tarn Pass","out_minutes":1`,
	`{"type":"setup","machine":"K-08","scope":"machine","retired":true`,
	`{"type":"usage","machine":"K-08","arc_count":9`,
	`{"type":"usage","machine":"K-070","arc_count":9`,
	`{"type":"calibration","machine":"k-07","passed":false`,
	`{"type":"service","machine":"K-08","action":"replaced"`,
	`{"type":"splice","machine":"K-08","count":4`,
	`{"type":"correction","machine":"K-08","corrects":"own","fields":{"arc_count":1}`,
	`{"type":"correction","machine":"K-07","corrects":"own-setup","fields":{"scope":"fleet"}`,
	`{"type":"correction","machine":"K-07","corrects":"own-setup","fields":{"scope":null}`,
}

// A device that takes the ids of another's records pushes none of them out of its
// history.
func TestNoDeviceTakesAnothersId(t *testing.T) {
	db := agenttest.DB(t)
	evil := agenttest.Account(t, db, "device", "add", "evil", "--machines", "E-1")
	good := agenttest.Account(t, db, "device", "add", "good", "--machines", "K-07")
	s, _, _ := agenttest.Start(t, db, nil)
	post := func(name, secret, machine string) {
		var lines strings.Builder
		for i := range 84 {
			fmt.Fprintf(&lines, `{"type":"usage","machine":%q,"id":"van-3/%d","arc_count":%d}`+"\n", machine, i, i)
		}
		status, answer := agenttest.AskAs(t, s, name, secret, "POST", "/api/v1/records", []byte(lines.String()), false)
		assert.Equal(t, http.StatusCreated, status)
		assert.NotContains(t, answer, "conflict")
	}
	post("evil", evil, "E-1")
	post("good", good, "K-07")
	history, err := s.Store().History("K-07")
	require.NoError(t, err)
	assert.Len(t, history, 84)
}

// When and by which way a record came is believed of whom it is due: of a van that
// forwards, of a writer who imports, of the program's own commands. Whose it is
// stays with it.
func TestArrivalAndSenderCannotBeForged(t *testing.T) {
	db := agenttest.DB(t)
	who := map[string]string{
		"bench-2": agenttest.Account(t, db, "device", "add", "bench-2", "--machines", "K-07"),
		"van-4":   agenttest.Account(t, db, "device", "add", "van-4", "--machines", "K-07", "--forwards"),
		"lead":    agenttest.Account(t, db, "person", "add", "lead", "--role", "manager"),
	}
	s, _, _ := agenttest.Start(t, db, nil)
	const before = "2026-02-01T08:00:00Z"
	n := 0
	for name, secret := range who {
		for _, via := range []string{"", "http", "log", "form", "mqtt", "import", "forward"} {
			for _, account := range []string{"", "lead", "mallory", "van-9/mallory"} {
				n++
				id := fmt.Sprintf("r-%d", n)
				record := fmt.Sprintf(`{"type":"usage","machine":"K-07","id":%q,"arc_count":%d,"received":%q,"via":"form","account":%q}`, id, n, before, account)
				status, answer := agenttest.AskAs(t, s, name, secret, "POST", "/api/v1/records?via="+via, []byte(record), false)
				require.Equal(t, http.StatusCreated, status, answer)
				e, found, err := s.Store().Find("K-07", id)
				require.NoError(t, err)
				require.True(t, found)
				if name == "van-4" && via == "forward" || name == "lead" && via == "import" {
					assert.Equal(t, before, e.Received.Format(time.RFC3339))
					assert.Equal(t, via, e.Via)
					assert.Equal(t, strings.TrimSuffix(name+"/"+account, "/"), e.Account)
					continue
				}
				assert.WithinDuration(t, agenttest.Now, e.Received, time.Second, "%s by %q", name, via)
				assert.Equal(t, "http", e.Via)
				assert.Equal(t, name, e.Account)
			}
		}
	}
	page := agenttest.Run(t, cli.Env{}, "export", "--db", db).Out
	assert.Equal(t, n, strings.Count(page, `"account":"`), "an export tells whose it is")
	r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(page)}, "import", "-", "--db", agenttest.DB(t))
	assert.Zero(t, r.Code, r.Err)
	status, refused := agenttest.AskAs(t, s, "bench-2", who["bench-2"], "POST", "/api/v1/refused",
		[]byte(`{"type":"refused","machine":"K-07","via":"mqtt","reason":"is cut short","size":1,"time":"`+before+`","last":"`+before+`","times":900}`), false)
	require.Equal(t, http.StatusCreated, status, refused)
	listed, err := s.Store().Refusals("K-07", 1)
	require.NoError(t, err)
	assert.Equal(t, 1, listed[0].Times)
	assert.WithinDuration(t, agenttest.Now, listed[0].Last, time.Second)
}

// A device of one machine writes nothing beyond it, in whatever form it asks.
func TestADeviceReachesNoFurtherThanItsMachine(t *testing.T) {
	db := agenttest.DB(t)
	secret := agenttest.Account(t, db, "device", "add", "van-4", "--machines", "K-07")
	s, _, _ := agenttest.Start(t, db, nil)
	status, answer := agenttest.AskAs(t, s, "van-4", secret, "POST", "/api/v1/records",
		[]byte(`{"type":"usage","machine":"K-07","id":"own","arc_count":1}`+"\n"+`{"type":"setup","machine":"K-07","id":"own-setup","scope":"machine","check_minutes":4}`), false)
	require.Equal(t, http.StatusCreated, status, answer)
	tries, through := faulttest.Rounds(t, 2000), 0
	for i := range tries {
		record := fmt.Sprintf(`%s,"id":"x-%d"}`, beyond[i%len(beyond)], i)
		via := []string{"", "?via=forward", "?via=import", "?via=log"}[i/len(beyond)%4]
		if i%3 == 0 { // among what it may
			record = fmt.Sprintf(`{"type":"usage","machine":"K-07","id":"good-%d","arc_count":%d}`, i, i) + "\n" + record
		}
		status, answer := agenttest.AskAs(t, s, "van-4", secret, "POST", "/api/v1/records"+via, []byte(record), i%2 == 0)
		if i%3 != 0 && status == http.StatusCreated {
			through++
			t.Log(status, answer, via, record)
		}
	}
	assert.Zero(t, through, "of %d", tries)
	machines, err := s.Store().Machines()
	require.NoError(t, err)
	assert.Equal(t, []string{"K-07"}, machines)
	setups, err := s.Store().Setups()
	require.NoError(t, err)
	assert.Len(t, setups, 1)
	history, err := s.Store().History("K-07")
	require.NoError(t, err)
	for _, e := range history {
		assert.NotContains(t, e.ID, "x-")
	}
	faulttest.Bound(t, "record of another's that was taken over HTTP", tries)
}
