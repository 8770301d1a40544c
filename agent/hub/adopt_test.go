package hub_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
)

// A store of an agent goes into a database with all that it keeps: the digests of both are
// the same, the chains go on, and the accounts are there.
func TestAdopt(t *testing.T) {
	y := newYard(t)
	file := agenttest.FilledStore(t, 300)
	r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(`{"type":"usage","machine":"K-01","arc_count":-1}`)}, "import", "--db", file, "-")
	require.Equal(t, cli.ExitRefused, r.Code, r.Err)
	r = agenttest.Run(t, cli.Env{}, "person", "add", "lead", "--role", "manager", "--db", file)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	out := y.run(t, "adopt", file)
	assert.Contains(t, out, "300 records")
	assert.Contains(t, out, "The accounts were taken over.")
	assert.Contains(t, y.run(t, "person", "list", "--db", filepath.Join(y.dir, "one")), "lead")
	assert.Contains(t, y.run(t, "verify"), "Sound")

	want := agenttest.Run(t, cli.Env{}, "verify", "--digests", "--format", "json", "--db", file)
	got := y.run(t, "verify", "--digests", "--format", "json")
	_, digests, _ := strings.Cut(want.Out, "\n")
	_, theirs, _ := strings.Cut(got, "\n")
	assert.Equal(t, digests, theirs)
	sameChains(t, y, file)
	samePack(t, y, file)

	again := y.command("adopt", file)
	said, err := again.CombinedOutput()
	require.Error(t, err)
	assert.Contains(t, string(said), "the store is not empty")
	records := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(y.run(t, "export"))}, "import", "--db", agenttest.DB(t), "-")
	assert.Equal(t, cli.ExitDone, records.Code, "and out again: %s", records.Err)

	back := filepath.Join(y.dir, "back.db")
	out = y.run(t, "move-out", back)
	assert.Contains(t, out, "300 records")
	r = agenttest.Run(t, cli.Env{}, "verify", "--digests", "--format", "json", "--db", back)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	_, theirs, _ = strings.Cut(r.Out, "\n")
	assert.Equal(t, digests, theirs)
	sameChains(t, y, back)
	samePackIn(t, y, file, back)
	r = agenttest.Run(t, cli.Env{}, "person", "list", "--db", back)
	assert.Contains(t, r.Out, "lead", "with its accounts")
	said, err = y.command("move-out", back).CombinedOutput()
	require.Error(t, err)
	assert.Contains(t, string(said), "is there already")
}

// samePackIn: a pack that was made before the moves is the one that the new file makes.
func samePackIn(t *testing.T, y *yard, file, back string) {
	t.Helper()
	packs := [2]string{filepath.Join(y.dir, "file.zip"), filepath.Join(y.dir, "back.zip")}
	for i, db := range []string{file, back} {
		for _, ending := range []string{".key", ".keys"} {
			raw, err := os.ReadFile(file + ending)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(db+ending, raw, 0o600))
		}
		r := agenttest.Run(t, cli.Env{}, packOf(db, packs[i])...)
		require.Equal(t, cli.ExitDone, r.Code, r.Err)
	}
	sameFile(t, packs[0], packs[1])
}

func packOf(db, out string) []string {
	return []string{"proof", "--machine", "K-01", "--from", "2026-03-01", "--to", "2026-03-02", "--known-at", agenttest.Now.Add(time.Hour).Format(time.RFC3339), "--db", db, "--out", out}
}

func sameFile(t *testing.T, a, b string) {
	t.Helper()
	want, err := os.ReadFile(a)
	require.NoError(t, err)
	got, err := os.ReadFile(b)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(want, got), "%d and %d bytes", len(want), len(got))
}

// samePack: with the same key a pack of proof is the same as before the move, byte for byte.
func samePack(t *testing.T, y *yard, file string) {
	t.Helper()
	before, after := filepath.Join(y.dir, "before.zip"), filepath.Join(y.dir, "after.zip")
	r := agenttest.Run(t, cli.Env{}, packOf(file, before)...)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	db := filepath.Join(y.dir, "one")
	for _, ending := range []string{".key", ".keys"} {
		raw, err := os.ReadFile(file + ending)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(db+ending, raw, 0o600))
	}
	y.run(t, packOf(db, after)...)
	sameFile(t, before, after)
	assert.Contains(t, y.run(t, "proof", "verify", after), "")
}

// sameChains compares where the chains of a file and of the database stand.
func sameChains(t *testing.T, y *yard, path string) {
	t.Helper()
	file, err := store.Open(path, time.Now, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	db, err := pgstore.Open(t.Context(), y.URL(y.database), time.Now, pgstore.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	machines, err := file.Machines()
	require.NoError(t, err)
	require.NotEmpty(t, machines)
	for _, name := range machines {
		was, _, err := file.HeadAt(name, time.Now())
		require.NoError(t, err)
		is, _, err := db.HeadAt(name, time.Now())
		require.NoError(t, err)
		require.Equal(t, was, is, name)
	}
}
