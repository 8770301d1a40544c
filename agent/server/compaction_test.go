package server_test

import (
	"arcdrift/agent/server"
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/fleet"
	"arcdrift/agent/forward"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

// manyCounts is a year of a device that reports its counter every two hours of the
// working day, with a calibration each morning.
func manyCounts(machine string, days int) string {
	var out strings.Builder
	at, arcs := agenttest.Now.AddDate(0, 0, -days).Truncate(24*time.Hour).Add(6*time.Hour), 0
	for day := range days {
		fmt.Fprintf(&out, `{"type":"calibration","machine":%q,"model":"type-1","time":%q,"passed":true,"meltback_left_um":%d,"meltback_right_um":249,"meltback_target_um":250,"meltback_tolerance_um":10,"power_setting_pct":1.5,"arc_count":%d,"temperature_c":11.5}`+"\n",
			machine, at.Format(time.RFC3339), 247+day%7, arcs)
		for hour := range 5 {
			arcs += 11
			fmt.Fprintf(&out, `{"type":"usage","id":"%s/%d/%d","machine":%q,"time":%q,"arc_count":%d,"extra":{"firmware":"2.1"}}`+"\n", machine, day, hour, machine, at.Add(time.Duration(2*hour+1)*time.Hour).Format(time.RFC3339), arcs)
		}
		at = at.AddDate(0, 0, 1)
	}
	return out.String()
}

// Compaction takes nothing from the answers, of now and of any moment of the past;
// an export says what it leaves out, and an import of it goes well.
func TestCompactedStoreAnswersTheSame(t *testing.T) {
	db := agenttest.DB(t)
	require.Zero(t, agenttest.Run(t, cli.Env{Stdin: strings.NewReader(manyCounts("K-07", 90) + manyCounts("K-08", 90))}, "import", "--db", db, "-").Code)
	ask := func() string {
		var all strings.Builder
		for _, as := range [][]string{nil, {"--as-of", agenttest.Now.AddDate(0, 0, -40).Add(-5 * time.Hour).Format(time.RFC3339)}} {
			said := agenttest.Run(t, cli.Env{}, append([]string{"assess", "--db", db, "--format", "json"}, as...)...)
			require.Zero(t, said.Code, said.Err)
			all.WriteString(said.Out)
		}
		return all.String()
	}
	before := ask()
	s, err := store.Open(db, time.Now, store.Options{})
	require.NoError(t, err)
	log := &agenttest.Buffer{}
	logger := slog.New(slog.NewTextHandler(log, nil))
	hub := &forward.Hub{URL: "https://hub.example/"}
	require.NoError(t, server.Compact(t.Context(), s, 100, hub, logger))
	assert.Empty(t, log.String(), "the hub has nothing yet")
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: 1, Seq: 101}))
	require.NoError(t, server.Compact(t.Context(), s, 100, hub, logger))
	assert.Contains(t, log.String(), "counts=83 kept_whole=100", "of the first 100 records")
	require.NoError(t, server.Compact(t.Context(), s, 100, nil, logger)) // but where the hub is
	require.NoError(t, s.Close())
	assert.Equal(t, before, ask())

	verified := agenttest.Run(t, cli.Env{}, "verify", "--db", db)
	assert.Equal(t, "Sound: 1,080 records (699 old arc counts compacted) of 2 machines, 0 refusals.\n", verified.Out)
	out := agenttest.Run(t, cli.Env{}, "export", "--db", db)
	assert.Equal(t, 382, strings.Count(out.Out, "\n"))
	assert.True(t, strings.HasSuffix(out.Out, "\n"+`{"type":"thinned","records":699}`+"\n"))
	in := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(out.Out)}, "import", "--db", agenttest.DB(t), "-")
	assert.Zero(t, in.Code)
	assert.Equal(t, "standard input leaves out 699 old arc counts that had been compacted\n", in.Err)
	again := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(manyCounts("K-07", 90))}, "import", "--db", db, "-")
	assert.Equal(t, "540 records: 0 taken, 540 there already, 0 with the id of another, 0 refused\n", again.Out)
}

// Whatever life a machine had, and wherever its clocks and numbers contradict
// each other, its answers after compaction are those before, to the last bit.
func TestCompactionChangesNoAnswer(t *testing.T) {
	thinned := 0
	rapid.Check(t, func(rt *rapid.T) {
		s, err := store.Open(agenttest.DB(t), time.Now, store.Options{})
		require.NoError(t, err)
		defer func() { require.NoError(t, s.Close()) }()
		life := drifttest.Lives(agenttest.Now.AddDate(0, 0, -12)).Draw(rt, "life")
		_, err = s.Append(life, nil)
		require.NoError(t, err)
		ask := func() []byte {
			var all bytes.Buffer
			for _, asOf := range []time.Time{agenttest.Now.AddDate(0, 0, -8), agenttest.Now} {
				answers, err := fleet.Replay(store.NewReader(s, func(string) {}), "", asOf, drift.Some(asOf))
				require.NoError(t, err)
				require.NoError(t, json.NewEncoder(&all).Encode(answers))
			}
			return all.Bytes()
		}
		before := ask()
		n, err := s.Compact(t.Context(), store.Compaction{Keep: rapid.IntRange(0, 5).Draw(rt, "keep")})
		require.NoError(t, err)
		thinned += n
		require.Equal(t, string(before), string(ask()))
	})
	require.Positive(t, thinned)
}

// An import knows what an export leaves out, and no other line.
func TestLineOfCompactedCounts(t *testing.T) {
	for line, want := range map[string]uint64{string(wire.AppendCompacted(nil, 700)): 700, `{"type":"thinned","records":-1}`: 0, `{"type":"thinned"}`: 0} {
		for l := range wire.Records(strings.NewReader(line)) {
			assert.Equal(t, want, l.Compacted, line)
			assert.NotNil(t, l.Problem, "it is no record: %s", line)
		}
	}
}
