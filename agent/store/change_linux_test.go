package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// phase is something that changes a store as a whole: how it is prepared, the
// child that does it, and what must be true of what is found after.
type phase struct {
	prepare func(t *testing.T, path string)
	child   []string // mode, and what comes before the path
	also    []string // another fault that leads there
	check   func(t *testing.T, s *store.Store, heard said)
}

// phases are those of a store's life besides the taking of records.
func phases() map[string]phase {
	return map[string]phase{
		"first start": {func(*testing.T, string) {}, []string{"script"}, nil, func(t *testing.T, s *store.Store, heard said) {
			require.Empty(t, s.Diagnostics())
			require.NoError(t, acked(s, heard.acks))
		}},
		"coming back after a failed flush": {func(*testing.T, string) {}, []string{"script-with-time"}, []string{"-e", "inject=fdatasync:error=EIO:when=9"},
			func(t *testing.T, s *store.Store, heard said) {
				require.Empty(t, s.Diagnostics())
				require.NoError(t, acked(s, heard.acks))
			}},
		"a newer version": {oldSchema, []string{"look"}, nil, func(t *testing.T, s *store.Store, _ said) {
			require.Len(t, must(s.Since(0, 0, 0)), 18)
			for _, f := range s.Diagnostics() {
				require.Equal(t, store.FoundWithoutCheckpoint, f.Kind, "it came without a checkpoint")
			}
		}},
		"compaction": {func(t *testing.T, path string) {
			s, err := store.Open(path, storetest.Received, store.Options{})
			require.NoError(t, err)
			_, err = s.Append(counts("K-07", 40), nil)
			require.NoError(t, err)
			require.NoError(t, s.Close())
		}, []string{"compact"}, nil, func(t *testing.T, s *store.Store, _ said) {
			require.Empty(t, s.Diagnostics())
			want := &storetest.Memory{}
			_, err := want.Append(counts("K-07", 40), nil)
			require.NoError(t, err)
			require.Equal(t, read(t, want, "K-07"), read(t, s, "K-07"))
		}},
		"forgetting": {func(t *testing.T, path string) {
			require.NoError(t, crewed(t, path, (*drift.Record).Identity).Close())
		}, []string{"forget"}, nil, func(t *testing.T, s *store.Store, heard said) {
			require.Empty(t, s.Diagnostics())
			known := 0
			for _, p := range must(s.PeopleSince(0, 100)) {
				if p.Name == asa {
					known++
				}
			}
			require.LessOrEqual(t, known, 1)
			if heard.has("forgotten") {
				require.Zero(t, known)
			}
			shown := 0
			for _, e := range must(s.Since(0, 0, 0)) {
				if e.Operator == asa {
					shown++
				}
			}
			require.Equal(t, known > 0, shown > 0, "all of it or nothing")
			placed, err := s.Append(crew((*drift.Record).Identity), nil)
			require.NoError(t, err)
			for i := range placed {
				require.True(t, placed[i].Duplicate)
			}
		}},
		"restoring": {func(t *testing.T, path string) {
			s, err := store.Open(path, storetest.Received, store.Options{})
			require.NoError(t, err)
			_, err = s.Append([]drift.Entry{nth(1), nth(2), nth(3)}, nil)
			require.NoError(t, err)
			require.NoError(t, s.BackupFile(path+".monday"))
			_, err = s.Append([]drift.Entry{nth(101), nth(102)}, nil)
			require.NoError(t, err)
			require.NoError(t, s.Close())
		}, []string{"restore", ".monday"}, nil, func(t *testing.T, s *store.Store, heard said) {
			is := len(must(s.Since(0, 0, 0)))
			require.Contains(t, []int{3, 5}, is, "the backup or the store that was there")
			if heard.has("restored") {
				require.Equal(t, 3, is)
			}
		}},
	}
}

// oldSchema puts the store of schema 1 there, on the disk.
func oldSchema(t *testing.T, path string) {
	raw, err := os.ReadFile("../../testdata/store/v1.bolt")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, raw, 0o600))
	do(t, "sync", path, filepath.Dir(path))
}

// TestPowerCutInEveryChange cuts the power at every flush and renaming of a first
// start, an update, a compaction, a restoring and of coming back: the old store or
// the new one is there, sound, never neither.
func TestPowerCutInEveryChange(t *testing.T) {
	total := 0
	for name, p := range phases() {
		t.Run(name, func(t *testing.T) {
			calls := []string{"fdatasync", "fsync", "renameat"}
			if p.also != nil {
				calls = calls[1:] // two faults of one call do not go together
			}
			for range faulttest.Rounds(t, 1) {
				for _, call := range calls {
					total += everyPowerCut(t, p, call)
				}
			}
		})
	}
	faulttest.Bound(t, "power cut in a change of the whole store with neither the old nor the new one there", total)
}

// everyPowerCut cuts the power at the first, second, … call of a kind.
func everyPowerCut(t *testing.T, p phase, call string) (n int) {
	for {
		d := newDisk(t, 32)
		path := filepath.Join(d.at, "arcdrift.db")
		p.prepare(t, path)
		args := []string{path}
		if p.child[0] == "restore" {
			args = []string{path + p.child[1], path}
		}
		heard, reached := injected(t, p.child[0], call, "signal=KILL", n+1, p.also, args...)
		after := filepath.Join(d.afterPowerCut(t).at, "arcdrift.db")
		s, err := store.Open(after, storetest.Received, store.Options{})
		require.NoError(t, err, "%s %d", call, n+1)
		p.check(t, s, heard)
		storetest.Invariants(t, s)
		_, err = s.Append([]drift.Entry{storetest.Calibration("K-after", 1)}, nil)
		require.NoError(t, err, "data go on being taken")
		require.NoError(t, s.Close())
		if !reached {
			return n
		}
		n++
	}
}

// TestPowerCutInAChangeControl: if the program did not flush, the same would find
// neither the old nor the new.
func TestPowerCutInAChangeControl(t *testing.T) {
	d := newDisk(t, 32)
	path := filepath.Join(d.at, "arcdrift.db")
	phases()["restoring"].prepare(t, path)
	c := command(t, "restore", traced(filepath.Join(t.TempDir(), "trace"), "fsync,fdatasync", "retval=0"), path+".monday", path)
	out, err := c.CombinedOutput()
	require.NoError(t, err, "%s", out)
	s, err := store.Open(filepath.Join(d.afterPowerCut(t).at, "arcdrift.db"), storetest.Received, store.Options{})
	if err == nil {
		if is := len(must(s.Since(0, 0, 0))); is != 3 {
			err = fmt.Errorf("it was said to be restored, and %d records are there", is)
		}
		require.NoError(t, s.Close())
	}
	require.Error(t, err)
	t.Log("missed, as it must be:", err)
}

// A store of an earlier version that cannot be brought to this one says so in one
// sentence and is as it was; with room again it opens.
func TestNoRoomForANewerVersion(t *testing.T) {
	for fault, want := range map[string]string{
		"ENOSPC": "has no room to upgrade it: make room and start again; nothing was changed",
		"EIO":    "cannot be upgraded: check the disk, then start again",
	} {
		t.Run(fault, func(t *testing.T) {
			path := dbPath(t)
			oldSchema(t, path)
			before, err := os.ReadFile(path)
			require.NoError(t, err)
			heard, reached := injected(t, "look", "pwrite64", "error="+fault, 1, nil, path)
			require.True(t, reached)
			require.Len(t, heard.lines, 1)
			require.Contains(t, heard.lines[0], want)
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, before, after[:len(before)])
			require.Len(t, must(open(t, path).Since(0, 0, 0)), 18)
		})
	}
}
