package server_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/bootcheck"
	"arcdrift/agent/cli"
	"arcdrift/agent/faulttest"
	"arcdrift/agent/server"
	"arcdrift/agent/store"
)

func TestASoundStoreIsServed(t *testing.T) {
	db := agenttest.FilledStore(t, 100)
	found, err := server.Check(t.Context(), server.Env{Program: "arcdrift", Now: time.Now}, db)
	require.NoError(t, err)
	assert.Empty(t, found)
	assert.NoDirExists(t, filepath.Join(filepath.Dir(db), "quarantine"))
	found, err = server.Check(t.Context(), server.Env{Program: "arcdrift", Now: time.Now}, agenttest.DB(t))
	require.NoError(t, err)
	assert.Empty(t, found, "a store that is to be made")
}

// A check that was ended from outside has found nothing: the store stays where it
// is and is whole. Before, it was put aside.
func TestACheckWithoutAFindingPutsNothingAside(t *testing.T) {
	db := agenttest.FilledStore(t, 10)
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	for program, says := range map[string]string{"killed": "signal: killed", "ended": "signal: terminated", "starved": "exit status 2", "mute": "it gave no answer"} {
		socket, hears := agenttest.ServiceManager(t)
		_, err := server.Check(t.Context(), server.Env{Program: program, Environ: []string{"NOTIFY_SOCKET=" + socket}, Now: time.Now}, db)
		require.ErrorContains(t, err, says, program)
		require.ErrorContains(t, err, "is unchanged", program)
		assert.Equal(t, "EXTEND_TIMEOUT_USEC=60000000", hears(), "the service manager waits")
	}
	assert.NoDirExists(t, filepath.Join(filepath.Dir(db), "quarantine"))
	still, err := os.ReadFile(db)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(raw, still))
}

// A SIGHUP goes to all of a terminal's processes: the check goes on.
func TestAHangupDoesNotEndTheCheck(t *testing.T) {
	caught := false
	r := agenttest.Run(t, cli.Env{Reloads: func() <-chan os.Signal { caught = true; return nil }}, bootcheck.Command, "--db", agenttest.FilledStore(t, 3))
	require.Zero(t, r.Code, r.Err)
	assert.True(t, caught)
}

func TestAStoreThatKillsItsCheckIsPutAside(t *testing.T) {
	db := agenttest.FilledStore(t, 10)
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	found, err := server.Check(t.Context(), server.Env{Program: "dies", Now: func() time.Time { return agenttest.Now }}, db)
	require.NoError(t, err)
	assert.Contains(t, found, "reading it ended the check (exit status 2). It was moved to ")
	assert.NoFileExists(t, db)
	kept, err := filepath.Glob(filepath.Join(filepath.Dir(db), "quarantine", "*"))
	require.NoError(t, err)
	require.Len(t, kept, 1)
	still, err := os.ReadFile(kept[0])
	require.NoError(t, err)
	assert.True(t, bytes.Equal(raw, still), "it is kept as it was")

	s, log, _ := agenttest.Start(t, db, func(c *server.Config) { c.Found = found })
	assert.Contains(t, log.String(), "It was moved to ")
	status, _ := agenttest.Post(t, s, fmt.Sprintf(agenttest.Good, "a"))
	assert.Equal(t, http.StatusCreated, status, "data are taken in a new one")
	require.Eventually(t, func() bool {
		return strings.Contains(agenttest.Fetch(t, s.URL()+"/readyz"), "findings about the store: 2")
	}, time.Minute, 10*time.Millisecond, "it is ready in the end")
	page := agenttest.Fetch(t, s.URL()+"/refused")
	assert.Contains(t, page, "It was moved to ")
	assert.Contains(t, page, "is missing. It had 10 records")
}

// An agent whose store is corrupt starts all the same and takes data; either
// every record is still answered as it was or a warning says why not.
func TestCorruptStores(t *testing.T) {
	const page = 4096
	sound, err := os.ReadFile(agenttest.FilledStore(t, 300))
	require.NoError(t, err)
	n := 0
	for name, spoil := range map[string]func(r *rand.Rand, file []byte) []byte{
		"bit": func(r *rand.Rand, f []byte) []byte { f[2*page+r.IntN(len(f)-2*page)] ^= 1 << r.IntN(8); return f },
		"page header": func(r *rand.Rand, f []byte) []byte {
			f[page*(2+r.IntN(len(f)/page-2))+8+r.IntN(8)] ^= 1 << r.IntN(8)
			return f
		},
		"zeroed page": func(r *rand.Rand, f []byte) []byte {
			clear(f[page*(2+r.IntN(len(f)/page-2)):][:page])
			return f
		},
		"truncated": func(r *rand.Rand, f []byte) []byte { return f[:page*(2+r.IntN(len(f)/page-2))] },
		"both metas": func(_ *rand.Rand, f []byte) []byte {
			f[100], f[page+100] = f[100]^1, f[page+100]^1
			f[20], f[page+20] = f[20]^1, f[page+20]^1
			return f
		},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range faulttest.Rounds(t, 4) {
				n++
				corruptStore(t, spoil(rand.New(rand.NewPCG(9, uint64(seed))), bytes.Clone(sound)), seed)
			}
		})
	}
	faulttest.Bound(t, "corrupt stores that kept the agent from starting or changed an answer without a warning", n)
}

func corruptStore(t *testing.T, file []byte, seed int) {
	t.Helper()
	db := agenttest.FilledStore(t, 0) // with its checkpoint
	require.NoError(t, os.WriteFile(db, file, 0o600))
	cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0")
	said := &agenttest.Buffer{}
	cmd.Stderr = said
	require.NoError(t, cmd.Start())
	defer func() { _ = cmd.Process.Kill() }() // it may have ended
	url := agenttest.Await(t, db)
	require.True(t, agenttest.PostOnce(url, fmt.Sprintf(agenttest.Good, "new")), "seed %d: data are taken: %s", seed, said)
	answer := agenttest.Fetch(t, url+"/api/v1/records?format=json")
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	require.NoError(t, cmd.Wait(), "seed %d: %s", seed, said)
	whole := strings.Count(answer, `"type":"usage"`) == 301 && !strings.Contains(said.String(), "WARN")
	warned := strings.Contains(said.String(), "The store ") || strings.Contains(said.String(), "In the store ")
	require.True(t, whole || warned, "seed %d: no warning: %s", seed, said)
	report, err := store.VerifyFile(db)
	require.NoError(t, err)
	if report.First != nil {
		require.True(t, warned, "seed %d: %v", seed, report.First)
	}
}
