package agent

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func TestSparesCommand(t *testing.T) {
	db := tempDB(t)
	s, _, stop := startServer(t, db, nil)
	setup := func(machine, more string) string {
		return fmt.Sprintf(`{"type":"setup","machine":%q,"time":"2026-02-01T06:00:00Z","scope":"machine",%s}`, machine, more)
	}
	lines := append(wearing("K-07", scriptMoment), wearing("K-08", scriptMoment)...)
	lines = append(lines, setup("K-07", `"depot":"north","spare_pairs":0`), setup("K-08", `"depot":"north"`),
		`{"type":"usage","machine":"M-01","time":"2026-02-20T06:00:00Z","arc_count":5}`)
	status, body := post(t, s, strings.Join(lines, "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	decidedOn(t, s, "K-08", len(wearing("K-08", scriptMoment))+1)
	decidedOn(t, s, "K-07", len(wearing("K-07", scriptMoment))+1)
	decidedOn(t, s, "M-01", 1)
	// A setup is learnt from in the agent's own time.
	soon(t, "the depot is known", func() bool {
		return strings.Contains(cli(t, Env{}, "spares", "--db", db).answer, "north")
	})

	asked := map[string]result{}
	for _, format := range []string{formatText, formatJSON, formatCSV} {
		asked[format] = cli(t, Env{}, "spares", "--db", db, "--format", format)
		require.Equal(t, exitDone, asked[format].code, asked[format].say)
	}
	assert.Contains(t, asked[formatText].say, "held by a running agent")
	assert.Contains(t, asked[formatText].answer, "(no depot): 1 machine without a forecast or a pace")
	// Both machines are worn out and all but certain to need a pair in a month; two
	// pairs are needed and none is held.
	assert.Regexp(t, `(?m)^north +2 +[12]\.\d +2 +2 +0 +2$`, asked[formatText].answer)
	assert.Contains(t, asked[formatJSON].answer, `{"depot":"north","machines":2,`)
	assert.Contains(t, asked[formatCSV].answer, "depot,machines,unknown,expected,hold_95,hold_99,held\n,0,1,0,0,0,\nnorth,2,0,")
	assert.Contains(t, scraped(t, s), `arcdrift_spare_pairs_needed{chance="0.95"} 2`)

	stop()
	for format, was := range asked {
		alone := cli(t, Env{}, "spares", "--db", db, "--format", format)
		assert.Equal(t, was.answer, alone.answer, "the store itself and the agent say the same")
		assert.Empty(t, alone.say)
	}
}

func TestSparesOfNobody(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, sparesText(&out, nil))
	assert.Contains(t, out.String(), "No machine is known yet")
	r := cli(t, Env{}, "spares", "--db", tempDB(t))
	assert.Equal(t, exitFailed, r.code, "a store that is not there is no empty store")
}

func TestSparePart(t *testing.T) {
	assert.Empty(t, sparePart(&drift.Settings{SparePairs: drift.Some[int64](3)}))
	assert.Equal(t, "ask north", sparePart(&drift.Settings{Depot: "north"}))
	assert.Equal(t, "none at north", sparePart(&drift.Settings{Depot: "north", SparePairs: drift.Some[int64](0)}))
	assert.Equal(t, "3 at north", sparePart(&drift.Settings{Depot: "north", SparePairs: drift.Some[int64](3)}))
}

func TestShortBy(t *testing.T) {
	assert.Equal(t, unknown, shortBy(&advise.Spares{Hold95: 2}))
	assert.Equal(t, "1", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](1)}))
	assert.Equal(t, "0", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](9)}))
}
