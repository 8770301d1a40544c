package agenttest

import (
	"arcdrift/agent/store"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// KeptIn is what a sound store holds: the digests of its machines, and how often
// what was refused.
func KeptIn(t *testing.T, db string) (map[string]store.Digest, map[string]int) {
	t.Helper()
	s, err := store.Open(db, time.Now, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
	digests, err := s.Digests()
	require.NoError(t, err)
	all, err := s.Refusals("", 0)
	require.NoError(t, err)
	refused := map[string]int{}
	for _, r := range all {
		refused[string(r.Raw)+r.Problem.Error()] = r.Times
	}
	return digests, refused
}
