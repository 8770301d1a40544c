package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A workbook is no list of records: whoever forgets the mapping is told of it.
func TestAWorkbookNeedsAMapping(t *testing.T) {
	file := filepath.Join(t.TempDir(), "Bench log.xlsx")
	require.NoError(t, os.WriteFile(file, []byte("PK\x03\x04\x14\x00rest"), 0o600))
	out := agenttest.Run(t, cli.Env{}, "import", "--db", agenttest.DB(t), file)
	assert.Equal(t, "arcdrift: "+file+" is a workbook, which needs --map with a file that says which column is which field; see arcdrift help import\n", out.Err)
	assert.Contains(t, out.Out, "0 records")
}

// An export keeps its arrivals, its flags and its refused list wherever it is
// brought back, into a store that is free or one that a running agent holds; what
// is no export arrives when it does.
func TestImportKeepsArrivals(t *testing.T) {
	from := agenttest.DB(t)
	earlier := cli.Env{Now: func() time.Time { return agenttest.Now.AddDate(0, 0, -10) }}
	earlier.Stdin = strings.NewReader(strings.Join([]string{
		`{"type":"calibration","machine":"K-07","time":"2026-02-01T08:00:00Z","passed":true,"arc_count":300}`,
		`{"type":"calibration","machine":"K-07","passed":true}`,
		`{"type":"calibration","machine":"K-07","passed":true}`,
		`{"type":"usage","machine":"K-08","time":"2026-02-01T09:00:00+01:00","arc_count":7,"id":"a"}`,
		`{"type":"usage","machine":"K-08","time":"2026-02-01T09:00:00+01:00","arc_count":8,"id":"a"}`,
		`{"type":"usage","machine":"K-08"}`,
	}, "\n"))
	require.Equal(t, cli.ExitRefused, agenttest.Run(t, earlier, "import", "--db", from, "-").Code)
	fresh := `{"type":"usage","machine":"K-09","time":"2026-02-20T09:00:00Z","arc_count":7}`

	free, held := agenttest.DB(t), agenttest.DB(t)
	_, _, stop := agenttest.Start(t, held, nil)
	agenttest.Await(t, held)
	var logged []string
	for _, format := range []string{"json", "csv"} {
		out := agenttest.Run(t, cli.Env{}, "export", "--db", from, "--format", format)
		require.Zero(t, out.Code, out.Err)
		for _, db := range []string{free, held} {
			for _, lines := range []string{out.Out, fresh} {
				in := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(lines)}, "import", "--db", db, "-")
				require.Zero(t, in.Code, in.Err)
			}
			said := agenttest.Run(t, cli.Env{}, "log", "usage", "--db", db, "--machine", "K-09", "--time", "2026-02-21T09:00:00Z", "--arc-count", "9")
			require.Zero(t, said.Code, said.Err)
			logged = append(logged, said.Out)
		}
	}
	stop()
	at, atRefused := agenttest.KeptIn(t, from)
	is, isRefused := agenttest.KeptIn(t, free)
	assert.Equal(t, at["K-07"], is["K-07"])
	assert.Equal(t, at["K-08"], is["K-08"])
	assert.Equal(t, atRefused, isRefused)
	through, throughRefused := agenttest.KeptIn(t, held)
	assert.Equal(t, is, through)
	assert.Equal(t, isRefused, throughRefused)
	assert.EqualValues(t, 2, is["K-09"].Records, "%q", logged)
	ways := func(db string) (out []string) {
		for _, line := range strings.Split(agenttest.Run(t, cli.Env{}, "export", "--db", db).Out, "\n") {
			if _, rest, ok := strings.Cut(line, `"received":`); ok {
				way, _, _ := strings.Cut(rest, `"store_epoch":`)
				out = append(out, way)
			}
		}
		return out
	}
	assert.Equal(t, ways(free), ways(held), "and by the same door")
}

// A command that is the first to open a store says what it found, as an agent
// would: nobody is told again.
func TestCommandsTellWhatTheyFind(t *testing.T) {
	db := agenttest.DB(t)
	line := `{"type":"usage","machine":"K-09","time":"2026-02-20T09:00:00Z","arc_count":7}`
	require.Zero(t, agenttest.Run(t, cli.Env{Stdin: strings.NewReader(line)}, "import", "--db", db, "-").Code)
	require.NoError(t, os.Remove(db))
	said := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(line)}, "import", "--db", db, "-")
	assert.Zero(t, said.Code, said.Err)
	assert.Contains(t, said.Err, "is missing. It had 1 record. ")
	assert.Empty(t, agenttest.Run(t, cli.Env{}, "assess", "--db", db).Err)
}
