package auth

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// What each role may write, by type of record: "y" or "n" for device of K-07,
// reader, crew, bench, manager.
func TestWhatEachRoleMayWrite(t *testing.T) {
	setup := func(scope drift.Scope, machine string) drift.Record {
		return drift.Record{Type: drift.TypeSetup, Machine: machine, Setup: &drift.Setup{Scope: scope}}
	}
	correction := func(field string, value any) drift.Record {
		return drift.Record{Type: drift.TypeCorrection, Machine: "K-07", Correction: &drift.Correction{Corrects: "a", Changes: []drift.Change{{Field: field, Value: value}}}}
	}
	for name, c := range map[string]struct {
		record drift.Record
		may    string
	}{
		"calibration":      {drift.Record{Type: drift.TypeCalibration, Machine: "K-07"}, "ynyyy"},
		"usage":            {drift.Record{Type: drift.TypeUsage, Machine: "K-07"}, "ynyyy"},
		"splice":           {drift.Record{Type: drift.TypeSplice, Machine: "K-07"}, "ynyyy"},
		"service":          {drift.Record{Type: drift.TypeService, Machine: "K-07"}, "ynnyy"},
		"decision":         {drift.Record{Type: drift.TypeDecision, Machine: "K-07"}, "ynnyy"},
		"another's":        {drift.Record{Type: drift.TypeUsage, Machine: "K-08"}, "nnyyy"},
		"own setup":        {setup(drift.ScopeMachine, "K-07"), "ynnny"},
		"fleet's":          {setup(drift.ScopeFleet, ""), "nnnny"},
		"fleet's, named":   {setup(drift.ScopeFleet, "K-07"), "nnnny"},
		"model's":          {setup(drift.ScopeModel, "K-07"), "nnnny"},
		"site's":           {setup(drift.ScopeSite, "K-07"), "nnnny"},
		"correction":       {correction("arc_count", int64(3)), "ynyyy"},
		"into the fleet's": {correction("scope", "fleet"), "nnnny"},
		"into none":        {correction("scope", nil), "nnnny"},
	} {
		for i, role := range append([]Role{Device}, Roles()...) {
			p := Principal{Name: "somebody", Role: role, Machines: Machines{"K-07"}}
			problem := p.Check(&c.record)
			assert.Equal(t, c.may[i] == 'y', problem == nil, "%s by a %s: %v", name, role, problem)
		}
		nobody := Principal{}
		assert.NotNil(t, nobody.Check(&c.record), name)
	}
}

// Each role of people may all that the one before it may.
func TestRolesIncludeSmallerOnes(t *testing.T) {
	before := []Right{}
	for _, role := range Roles() {
		for _, right := range before {
			assert.True(t, role.May(right), "%s: %s", role, right)
		}
		assert.Greater(t, len(role.rights()), len(before))
		before = role.rights()
	}
	assert.False(t, slices.ContainsFunc(Role("owner").rights(), func(Right) bool { return true }))
}

// An account of before there were crew and bench is a manager's.
func TestWriterIsAManager(t *testing.T) {
	path := filepath.Join(t.TempDir(), "access")
	keys, err := Open(path)
	require.NoError(t, err)
	_, err = keys.Add(Account{Name: "bench", Role: Manager}, noon)
	require.NoError(t, err)
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(raw), `"manager"`, `"writer"`, 1)), 0o600))
	keys, err = Open(path)
	require.NoError(t, err)
	a, found, err := keys.Find("bench")
	require.NoError(t, err)
	require.True(t, found)
	assert.Equal(t, Manager, a.Role)
}
