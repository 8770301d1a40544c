package agent

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An export keeps its arrivals, its flags and its refused list wherever it is
// brought back, into a store that is free or one that a running agent holds; what
// is no export arrives when it does.
func TestImportKeepsArrivals(t *testing.T) {
	from := tempDB(t)
	earlier := Env{Now: func() time.Time { return scriptMoment.AddDate(0, 0, -10) }}
	earlier.Stdin = strings.NewReader(strings.Join([]string{
		`{"type":"calibration","machine":"K-07","time":"2026-02-01T08:00:00Z","passed":true,"arc_count":300}`,
		`{"type":"calibration","machine":"K-07","passed":true}`,
		`{"type":"calibration","machine":"K-07","passed":true}`,
		`{"type":"usage","machine":"K-08","time":"2026-02-01T09:00:00+01:00","arc_count":7,"id":"a"}`,
		`{"type":"usage","machine":"K-08","time":"2026-02-01T09:00:00+01:00","arc_count":8,"id":"a"}`,
		`{"type":"usage","machine":"K-08"}`,
	}, "\n"))
	require.Equal(t, exitRefused, cli(t, earlier, "import", "--db", from, "-").code)
	fresh := `{"type":"usage","machine":"K-09","time":"2026-02-20T09:00:00Z","arc_count":7}`

	free, held := tempDB(t), tempDB(t)
	_, _, stop := startServer(t, held, nil)
	awaitAgent(t, held)
	var logged []string
	for _, format := range []string{"json", "csv"} {
		out := cli(t, Env{}, "export", "--db", from, "--format", format)
		require.Zero(t, out.code, out.say)
		for _, db := range []string{free, held} {
			for _, lines := range []string{out.answer, fresh} {
				in := cli(t, Env{Stdin: strings.NewReader(lines)}, "import", "--db", db, "-")
				require.Zero(t, in.code, in.say)
			}
			said := cli(t, Env{}, "log", "usage", "--db", db, "--machine", "K-09", "--time", "2026-02-21T09:00:00Z", "--arc-count", "9")
			require.Zero(t, said.code, said.say)
			logged = append(logged, said.answer)
		}
	}
	stop()
	at, atRefused := keptIn(t, from)
	is, isRefused := keptIn(t, free)
	assert.Equal(t, at["K-07"], is["K-07"])
	assert.Equal(t, at["K-08"], is["K-08"])
	assert.Equal(t, atRefused, isRefused)
	through, throughRefused := keptIn(t, held)
	assert.Equal(t, is, through)
	assert.Equal(t, isRefused, throughRefused)
	assert.EqualValues(t, 2, is["K-09"].Records, "%q", logged)
	ways := func(db string) (out []string) {
		for _, line := range strings.Split(cli(t, Env{}, "export", "--db", db).answer, "\n") {
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
	db := tempDB(t)
	line := `{"type":"usage","machine":"K-09","time":"2026-02-20T09:00:00Z","arc_count":7}`
	require.Zero(t, cli(t, Env{Stdin: strings.NewReader(line)}, "import", "--db", db, "-").code)
	require.NoError(t, os.Remove(db))
	said := cli(t, Env{Stdin: strings.NewReader(line)}, "import", "--db", db, "-")
	assert.Zero(t, said.code, said.say)
	assert.Contains(t, said.say, "is gone, and it had held 1 records")
	assert.Empty(t, cli(t, Env{}, "assess", "--db", db).say)
}
