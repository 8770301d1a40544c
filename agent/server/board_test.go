package server_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
)

// Pages share what was worked out of the fleet. While records come and machines change
// hands, no page of a customer shows a machine of the other one, and a machine that was
// sold is on no page of its former customer that is asked for after the receipt.
func TestASoldMachineLeavesTheSharedBoardAtOnce(t *testing.T) {
	db := agenttest.DB(t)
	var lines []string
	for n := range 12 {
		owner := []string{"quarzby", "velmora"}[n%2]
		machine := fmt.Sprintf("%s-%d", strings.ToUpper(owner), n)
		lines = append(lines, fmt.Sprintf(`{"type":"setup","scope":"machine","machine":%q,"customer":%q,"depot":"%[2]s-depot","id":"own-%d","time":"2026-02-01T08:00:00Z"}`, machine, owner, n),
			fmt.Sprintf(`{"type":"calibration","machine":%q,"site":"%s-site","passed":true,"id":"c-%d","time":"2026-03-01T08:00:00Z"}`, machine, owner, n))
	}
	r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(strings.Join(lines, "\n"))}, "import", "--db", db, "-")
	require.Zero(t, r.Code, r.Err)
	h := hub{secrets: map[string]string{}, asked: map[string]bool{}}
	h.secrets["boss"] = agenttest.Account(t, db, "person", "add", "boss", "--role", string(auth.Manager))
	for _, owner := range []string{"quarzby", "velmora"} {
		h.secrets[owner] = agenttest.Account(t, db, "person", "add", owner, "--role", string(auth.Manager), "--customer", owner)
	}
	h.Server, _, _ = agenttest.Start(t, db, nil)
	agenttest.Soon(t, "the machines are read", func() bool { return h.ask(t, "GET", "boss", ask{path: "/readyz"}, nil).status == http.StatusOK })
	pages := []string{"/", "/machines?view=table", "/wall", "/machines.csv", "/api/v1/machines", "/plan", "/log?choose=1", "/settings"}
	done := make(chan struct{})
	var busy sync.WaitGroup
	for _, sides := range [][2]string{{"quarzby", "VELMORA-"}, {"velmora", "QUARZBY-"}} {
		busy.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-done:
					return
				default:
				}
				got := h.ask(t, "GET", sides[0], ask{path: pages[i%len(pages)]}, nil)
				assert.NotContains(t, got.text, sides[1], "%s at %s", sides[0], pages[i%len(pages)])
			}
		})
	}
	owners := []string{"quarzby", "velmora"}
	for n := range 8 {
		at := agenttest.Now.Add(time.Duration(n-20) * time.Minute).Format(time.RFC3339)
		body := fmt.Sprintf(`{"type":"setup","scope":"machine","machine":"SOLD-9","customer":%q,"id":"sold-%d","time":%q}`, owners[n%2], n, at) + "\n" +
			fmt.Sprintf(`{"type":"usage","machine":"SOLD-9","arc_count":%d,"id":"used-%d","time":%q}`, 100+n, n, at)
		require.Equal(t, http.StatusCreated, h.ask(t, "POST", "boss", ask{path: "/api/v1/records", body: body}, nil).status)
		for _, path := range pages {
			assert.NotContains(t, h.ask(t, "GET", owners[(n+1)%2], ask{path: path}, nil).text, "SOLD-9", "%s after sale %d", path, n)
		}
		agenttest.Soon(t, "the new customer sees it", func() bool {
			return strings.Contains(h.ask(t, "GET", owners[n%2], ask{path: "/machines.csv"}, nil).text, "SOLD-9")
		})
	}
	close(done)
	busy.Wait()
}
