package cli_test

import (
	"arcdrift/agent/cli"
	"bytes"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/faulttest"
)

// plainSentence demands an error that a person can act on: one line, no crash.
func plainSentence(t *testing.T, r agenttest.Result) {
	t.Helper()
	require.Contains(t, []int{cli.ExitFailed, cli.ExitUsage}, r.Code, "%s%s", r.Out, r.Err)
	require.Equal(t, 1, strings.Count(r.Err, "\n"), r.Err)
	require.NotRegexp(t, `panic|goroutine|nil pointer|runtime error|\.go:`, r.Err)
}

// A backup that was cut short at any byte, or spoilt anywhere, is not restored, and
// what was there stays. Before, it ended in a crash or named a nil pointer.
func TestSpoiltBackupsAreNotRestored(t *testing.T) {
	db := agenttest.FilledStore(t, 30)
	backup := filepath.Join(t.TempDir(), "backup.db")
	require.Zero(t, agenttest.Run(t, cli.Env{}, "backup", "--db", db, backup).Code)
	whole, err := os.ReadFile(backup)
	require.NoError(t, err)
	before, err := os.ReadFile(db)
	require.NoError(t, err)
	spoilt := filepath.Join(t.TempDir(), "spoilt.db")
	restore := func(b []byte) agenttest.Result {
		require.NoError(t, os.WriteFile(spoilt, b, 0o600))
		return agenttest.Run(t, cli.Env{}, "restore", "--db", db, spoilt)
	}
	random := rand.New(rand.NewPCG(10, 8))
	n := faulttest.Rounds(t, 30)
	for i := range n {
		cut := random.IntN(len(whole))
		if i < 4 {
			cut = i * 4096 // at a page's end
		}
		r := restore(whole[:cut])
		plainSentence(t, r)
		if cut >= 80 {
			require.Contains(t, r.Err, fmt.Sprintf("it is cut short: it has %d of %d bytes", cut, len(whole)))
		}
		zeroed := bytes.Clone(whole)
		clear(zeroed[4096*(2+random.IntN(len(whole)/4096-2)):][:4096])
		if r := restore(zeroed); r.Code != cli.ExitDone { // a page may be free
			plainSentence(t, r)
			continue
		}
		before, err = os.ReadFile(db) // it was restored, and is checked
		require.NoError(t, err)
	}
	after, err := os.ReadFile(db)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after))
	plainSentence(t, agenttest.Run(t, cli.Env{}, "restore", "--db", db, t.TempDir()))
	left, err := filepath.Glob(filepath.Join(filepath.Dir(db), "*.restore"))
	require.NoError(t, err)
	assert.Empty(t, left)
	faulttest.Bound(t, "spoilt backups that were restored, or crashed who restored them", n)
}

// Settings files of any bytes are read or refused in one sentence.
func FuzzSettingsFile(f *testing.F) {
	example, err := os.ReadFile(agenttest.Path(f, "cmd/arcdrift/packaging/arcdrift.toml"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(example))
	for _, text := range []string{"", "http_listen = 7", "a = [[[[[[", "host = [1, {a = 2}]", "http_listen = \"\\u0000\"", "keep_counts = 99999999999999999999", "[http_listen]", "alert_channel = [\"=\"]", "config = \"/etc/passwd\"", "tls_cert = \"/etc/shadow\"", "db = \"/x\"", "alert_zone = \"../../etc/passwd\""} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		dir := t.TempDir()
		file := filepath.Join(dir, "a.toml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		root := cli.RootCommand(cli.Env{})
		serve, _, err := root.Find([]string{"serve"})
		if err != nil {
			t.Fatal(err)
		}
		if err := cli.ReadConfig(file, serve.Flags()); err != nil {
			if strings.Contains(err.Error(), "runtime error") {
				t.Fatal(err)
			}
			return
		}
	})
}

// What stands in the place of a store, a directory, a link that leads nowhere or in a
// circle, somebody else's file, is named and left alone.
func TestWhatIsNoStoreIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	require.NoError(t, os.Mkdir(at("directory"), 0o700))
	require.NoError(t, os.Symlink(at("circle"), at("circle")))
	require.NoError(t, os.WriteFile(at("letter"), []byte("Dear Ines,\n"), 0o600))
	require.NoError(t, os.Symlink(at("letter"), at("to-letter")))
	for _, name := range []string{"directory", "circle", "letter", "to-letter"} {
		for _, args := range [][]string{{"assess"}, {"verify"}, {"export"}, {"backup", at("copy")}, {"log", "usage", "--machine", "K-07", "--arc-count", "1"}, {"report", "--sent"}} {
			r := agenttest.Run(t, cli.Env{}, append(args, "--db", at(name))...)
			require.NotEqual(t, cli.ExitDone, r.Code, "%s %v", name, args)
			require.NotRegexp(t, `panic|nil pointer|\.go:`, r.Err)
		}
	}
	letter, err := os.ReadFile(at("letter"))
	require.NoError(t, err)
	assert.Equal(t, "Dear Ines,\n", string(letter))
	assert.NoFileExists(t, at("copy"))
}

// A store behind a link is the store: what belongs beside it stands beside it.
func TestAStoreBehindALink(t *testing.T) {
	db := agenttest.FilledStore(t, 5)
	link := filepath.Join(t.TempDir(), "link.db")
	require.NoError(t, os.Symlink(db, link))
	r := agenttest.Run(t, cli.Env{}, "verify", "--db", link)
	assert.Zero(t, r.Code, r.Err)
	r = agenttest.Run(t, cli.Env{}, "log", "usage", "--db", link, "--machine", "K-07", "--arc-count", "99")
	require.Zero(t, r.Code, r.Err)
	r = agenttest.Run(t, cli.Env{}, "verify", "--db", db)
	assert.Zero(t, r.Code, "%s%s", r.Out, r.Err)
	info, err := os.Lstat(link)
	require.NoError(t, err)
	assert.NotZero(t, info.Mode()&os.ModeSymlink, "the link is one still")
}

// No cell of any table that a spreadsheet opens is a formula, whatever label somebody
// sent; records, assessments and depots are. Before, those of assess and spares were.
func TestNoCellIsAFormula(t *testing.T) {
	db := agenttest.DB(t)
	const bad = `=HYPERLINK(1)`
	lines := fmt.Sprintf(`{"type":"calibration","machine":"K-07","id":"=1","model":%[1]q,"program":"+1+1","site":"-1-1","operator":"@SUM(1)","passed":true,"power_setting_pct":-4.5,"time":"2026-03-01T07:45:00Z","cleaver":%[1]q,"extra":{"a":%[1]q}}
{"type":"setup","scope":"machine","name":"K-07","machine":"K-07","depot":%[1]q,"spare_pairs":1,"time":"2026-03-01T07:45:00Z"}
`, bad)
	r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(lines)}, "import", "--db", db, "-")
	require.Zero(t, r.Code, r.Err)
	seen := 0
	for _, args := range [][]string{{"assess"}, {"spares"}, {"report"}, {"export"}, {"evaluate"}, {"site-check", "--machine", "K-07", "--temperature", "4", "--humidity", "80", "--altitude", "0"}} {
		r := agenttest.Run(t, cli.Env{}, append(args, "--db", db, "--format", "csv")...)
		require.Zero(t, r.Code, r.Err)
		rows, err := csv.NewReader(strings.NewReader(r.Out)).ReadAll()
		require.NoError(t, err)
		for _, row := range rows {
			for _, cell := range row {
				if _, err := strconv.ParseFloat(cell, 64); err == nil || cell == "" {
					continue
				}
				require.NotContains(t, "=+-@\t\r", cell[:1], "%v: %q", args, cell)
				if strings.Contains(cell, bad) {
					seen++
				}
			}
		}
	}
	assert.GreaterOrEqual(t, seen, 5, "the labels are in the tables")
}
