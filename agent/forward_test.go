package agent_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/faulttest"
	"arcdrift/agent/reach"
)

// serveProcess runs an agent as a process of its own; kill ends it without a
// goodbye.
func serveProcess(t *testing.T, db string, args ...string) (url string, kill func()) {
	t.Helper()
	cmd := exec.Command("arcdrift", append([]string{"serve", "--db", db}, args...)...)
	said := &agenttest.Buffer{}
	cmd.Stderr = said
	require.NoError(t, cmd.Start())
	var once sync.Once
	kill = func() {
		once.Do(func() {
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // it was killed, and says so
			require.NoError(t, os.Remove(reach.AddressFile(db)), "a killed agent leaves its address: %s", said)
		})
	}
	t.Cleanup(kill)
	return agenttest.Await(t, db), kill
}

// A van and a hub that are killed again and again, under load: in the end the
// hub holds what the van holds, once, and answers the same.
func TestVanAndHubKilled(t *testing.T) {
	van, hub := agenttest.DB(t), agenttest.DB(t)
	port, chance := agenttest.FreePort(t), rand.New(rand.NewPCG(1, 18))
	n := faulttest.Rounds(t, 4)
	start := func(hubFirst bool) (url string, killVan, killHub func()) {
		hubUp := func() { _, killHub = serveProcess(t, hub, "--http-listen", "127.0.0.1:"+port) }
		if hubFirst {
			hubUp()
		}
		url, killVan = serveProcess(t, van, "--http-listen", "127.0.0.1:0", "--forward-to", "http://127.0.0.1:"+port)
		if !hubFirst {
			hubUp()
		}
		return url, killVan, killHub
	}
	for round := range n {
		url, killVan, killHub := start(round%2 == 0)
		ctx, cancel := context.WithCancel(t.Context())
		var senders sync.WaitGroup
		for sender := range 3 {
			senders.Go(func() {
				for n := 0; ctx.Err() == nil; n++ {
					id := fmt.Sprintf("%d-%d-%d", round, sender, n)
					agenttest.PostOnce(url, fmt.Sprintf(agenttest.Good, id))
					if n%5 == 0 {
						agenttest.PostOnce(url, fmt.Sprintf(`{"type":"calibration","machine":"K-0%d","passed":%t,"time":"2026-02-0%dT07:45:00Z","power_setting_pct":%d}`, sender, n%3 > 0, 1+round, n%20))
						agenttest.PostOnce(url, fmt.Sprintf(`{"type":"calibration","machine":"K-07","nonsense":%d}`, n%9))
					}
				}
			})
		}
		time.Sleep(500*time.Millisecond + time.Duration(chance.IntN(500))*time.Millisecond)
		killHub()
		time.Sleep(time.Duration(chance.IntN(200)) * time.Millisecond)
		killVan()
		cancel()
		senders.Wait()
	}

	_, killVan, killHub := start(true)
	require.Eventually(t, func() bool { return exported(t, van) == exported(t, hub) && refusedAt(t, van) == refusedAt(t, hub) },
		time.Minute, 200*time.Millisecond, "the hub does not catch up")
	killVan()
	killHub()
	assert.Equal(t, assessed(t, van), assessed(t, hub), "the same records give the same answers")
	vanKept, vanRefused := agenttest.KeptIn(t, van)
	hubKept, hubRefused := agenttest.KeptIn(t, hub)
	assert.Equal(t, vanKept, hubKept)
	assert.Equal(t, vanRefused, hubRefused)
	assert.Greater(t, len(vanRefused), 1, "nothing was refused")
	faulttest.Bound(t, "vans and hubs killed with what they hold apart", n)
}

// refusedAt is the refused list as a running agent's backup holds it.
func refusedAt(t *testing.T, db string) string {
	t.Helper()
	copied := agenttest.DB(t)
	r := agenttest.Run(t, cli.Env{}, "backup", "--db", db, copied)
	require.Zero(t, r.Code, r.Err)
	_, refused := agenttest.KeptIn(t, copied)
	return fmt.Sprint(refused)
}

// exported is how many records an agent holds, and refused, as its export says.
func exported(t *testing.T, db string) string {
	t.Helper()
	r := agenttest.Run(t, cli.Env{}, "export", "--db", db)
	require.Zero(t, r.Code, r.Err)
	return fmt.Sprint(strings.Count(r.Out, "\n"))
}

// assessed is every machine's state, as the command says.
func assessed(t *testing.T, db string) string {
	t.Helper()
	var out string
	for _, more := range [][]string{nil, {"--known-at", "2026-03-02T18:00:00Z"}} {
		r := agenttest.Run(t, cli.Env{}, append([]string{"assess", "--db", db, "--format", "json"}, more...)...)
		require.Zero(t, r.Code, r.Err)
		out += r.Out
	}
	return out
}
