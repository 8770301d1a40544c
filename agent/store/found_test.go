package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// TestWhatIsFoundAtOpening changes a closed store of four records behind its
// back, where there is an older backup of two.
func TestWhatIsFoundAtOpening(t *testing.T) {
	faults := 0
	for name, test := range map[string]struct {
		change  func(t *testing.T, path, backup string)
		finds   store.DiagnosticKind // "": nothing
		entries int
		kept    bool
	}{
		"nothing":    {func(*testing.T, string, string) {}, "", 4, false},
		"deleted":    {func(t *testing.T, path, _ string) { require.NoError(t, os.Remove(path)) }, store.FoundMissing, 0, false},
		"emptied":    {func(t *testing.T, path, _ string) { require.NoError(t, os.Truncate(path, 0)) }, store.FoundMissing, 0, false},
		"old backup": {func(t *testing.T, path, backup string) { require.NoError(t, os.Rename(backup, path)) }, store.FoundBehind, 2, true},
		"quarantined": {func(t *testing.T, path, _ string) {
			_, err := store.Quarantine(path, storetest.Received())
			require.NoError(t, err)
		}, store.FoundMissing, 0, false},
		"another": {func(t *testing.T, path, _ string) {
			other := open(t, dbPath(t))
			_, err := other.Append([]drift.Entry{nth(1), nth(2), nth(3), nth(4), nth(5)}, nil)
			require.NoError(t, err)
			require.NoError(t, other.BackupFile(path))
		}, store.FoundSwapped, 5, true},
		"old backup, then used": {func(t *testing.T, path, backup string) {
			w, err := os.ReadFile(path + ".witness")
			require.NoError(t, err)
			require.NoError(t, os.Rename(backup, path))
			s := open(t, path)
			_, err = s.Append([]drift.Entry{nth(11), nth(12), nth(13)}, nil)
			require.NoError(t, err)
			require.NoError(t, s.Close())
			require.NoError(t, os.WriteFile(path+".witness", w, 0o600))
		}, store.FoundSwapped, 5, true},
		"no checkpoint":         {func(t *testing.T, path, _ string) { require.NoError(t, os.Remove(path+".witness")) }, store.FoundWithoutCheckpoint, 4, false},
		"unreadable checkpoint": {func(t *testing.T, path, _ string) { require.NoError(t, os.Truncate(path+".witness", 9)) }, store.FoundWithoutCheckpoint, 4, false},
		"new and never used": {func(t *testing.T, path, _ string) {
			require.NoError(t, os.Remove(path))
			require.NoError(t, os.Remove(path+".witness"))
		}, "", 0, false},
		"restored by command": {restoreFrom, "", 2, false},
	} {
		t.Run(name, func(t *testing.T) {
			path, backup := dbPath(t), filepath.Join(t.TempDir(), "backup")
			s, err := store.Open(path, storetest.Received, store.Options{})
			require.NoError(t, err)
			_, err = s.Append([]drift.Entry{nth(1), nth(2)}, nil)
			require.NoError(t, err)
			require.NoError(t, s.BackupFile(backup))
			_, err = s.Append([]drift.Entry{nth(3), nth(4)}, nil)
			require.NoError(t, err)
			require.NoError(t, s.Close())
			test.change(t, path, backup)

			s = open(t, path)
			storetest.Invariants(t, s)
			stats, err := s.Stats()
			require.NoError(t, err)
			require.EqualValues(t, test.entries, stats.Entries)
			if test.finds == "" {
				require.Empty(t, s.Diagnostics())
			} else {
				require.Len(t, s.Diagnostics(), 1)
				found := s.Diagnostics()[0]
				require.Equal(t, test.finds, found.Kind)
				require.Contains(t, found.Text, path)
				require.Equal(t, test.kept, found.Kept != "")
				if test.kept {
					report, err := store.VerifyFile(found.Kept)
					require.NoError(t, err)
					require.Nil(t, report.First)
					require.EqualValues(t, test.entries, report.Entries, "kept as it was found")
				}
			}
			placed, err := s.Append([]drift.Entry{nth(21)}, nil)
			require.NoError(t, err, "data go on being taken")
			if name != "new and never used" {
				require.Greater(t, placed[0].Epoch, uint64(1), "under a new epoch")
			}
			require.NoError(t, s.Close())
			again := open(t, path)
			require.Empty(t, again.Diagnostics(), "told once")
			if test.finds != "" {
				faults++
			}
		})
	}
	faulttest.Bound(t, "store changed behind its back and not told, or not as it is", faults)
}

// TestFoundControl: it is by the checkpoint that these are found. Without it a store
// that is gone is a new one, and an old backup is only alone.
func TestFoundControl(t *testing.T) {
	for name, change := range map[string]func(path, backup string) error{
		"deleted":    func(path, _ string) error { return os.Remove(path) },
		"emptied":    func(path, _ string) error { return os.Truncate(path, 0) },
		"old backup": func(path, backup string) error { return os.Rename(backup, path) },
	} {
		path, backup := dbPath(t), filepath.Join(t.TempDir(), "backup")
		s, err := store.Open(path, storetest.Received, store.Options{})
		require.NoError(t, err)
		_, err = s.Append([]drift.Entry{nth(1), nth(2)}, nil)
		require.NoError(t, err)
		require.NoError(t, s.BackupFile(backup))
		_, err = s.Append([]drift.Entry{nth(3)}, nil)
		require.NoError(t, err)
		require.NoError(t, s.Close())
		require.NoError(t, errors.Join(change(path, backup), os.Remove(path+".witness")))
		for _, found := range open(t, path).Diagnostics() {
			require.Equal(t, store.FoundWithoutCheckpoint, found.Kind, name)
		}
	}
}

func TestAStoreNeverUsedMayBeDeleted(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.NoError(t, os.Remove(path))
	require.Empty(t, open(t, path).Diagnostics())
}

func restoreFrom(t *testing.T, path, backup string) {
	f, err := os.Open(backup)
	require.NoError(t, err)
	defer f.Close()
	report, err := store.Restore(f, path, storetest.Received())
	require.NoError(t, err)
	require.EqualValues(t, 2, report.Entries)
	kept, err := filepath.Glob(filepath.Join(filepath.Dir(path), "quarantine", "*"))
	require.NoError(t, err)
	require.Len(t, kept, 1, "the store that was there is kept")
	old, err := store.VerifyFile(kept[0])
	require.NoError(t, err)
	require.EqualValues(t, 4, old.Entries)
}

func TestBackupIsTheStoreOfThatMoment(t *testing.T) {
	s := open(t, dbPath(t))
	stop, done := make(chan struct{}), make(chan error)
	go func() {
		for n := 0; ; n++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
				if _, err := s.Append([]drift.Entry{nth(n)}, nil); err != nil {
					done <- err
					return
				}
			}
		}
	}()
	n := faulttest.Rounds(t, 20)
	for range n {
		var backup bytes.Buffer
		require.NoError(t, s.Backup(&backup))
		require.NoError(t, restoresTo(t, &backup, s))
	}
	close(stop)
	require.NoError(t, <-done)
	faulttest.Bound(t, "backup under load that did not restore to the same", n)
}

// restoresTo says what keeps a backup from being a store as it was at a moment.
func restoresTo(t *testing.T, backup io.Reader, s *store.Store) error {
	t.Helper()
	to := dbPath(t)
	report, err := store.Restore(backup, to, storetest.Received())
	if err != nil {
		return err
	}
	restored, err := store.Open(to, storetest.Received, store.Options{ReadOnly: true})
	require.NoError(t, err)
	same, err := s.Since(0, 0, max(1, int(report.Entries)))
	require.NoError(t, err)
	got, err := restored.Since(0, 0, 0)
	require.NoError(t, err)
	require.NoError(t, restored.Close())
	switch {
	case len(got) != int(report.Entries):
		return fmt.Errorf("%d records where %d should be", len(got), report.Entries)
	case len(got) > 0 && !assert.ObjectsAreEqual(same, got):
		return errors.New("other records than those of the moment")
	}
	return nil
}

// TestBackupControl: the file copied while it is written to is no backup, and is
// found out.
func TestBackupControl(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	batch := make([]drift.Entry, 200)
	take := func(from int) {
		for i := range batch {
			batch[i] = nth(from + i)
		}
		_, err := s.Append(batch, nil)
		require.NoError(t, err)
	}
	take(0)
	first, err := os.ReadFile(path)
	require.NoError(t, err)
	take(200)
	take(400)
	second, err := os.ReadFile(path)
	require.NoError(t, err)
	copied := append(first[:2*pageSize:2*pageSize], second[2*pageSize:]...)
	err = restoresTo(t, bytes.NewReader(copied), s)
	require.Error(t, err)
	t.Log("found out, as it must be:", err)
}

func TestRestoreRefuses(t *testing.T) {
	s := newSample(t)
	corrupt := s.corrupt(nth(14))
	path := s.at(t, s.file)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, backup := range map[string][]byte{"corrupt": corrupt, "no store": []byte("hello"), "empty": nil} {
		_, err := store.Restore(bytes.NewReader(backup), path, storetest.Received())
		require.Error(t, err, name)
	}
	held := open(t, path)
	_, err = store.Restore(bytes.NewReader(s.file), path, storetest.Received())
	require.ErrorIs(t, err, store.ErrHeld)
	require.NoError(t, held.Close())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, left, 2, "nothing but the store and its checkpoint")
}

func TestASecondAgentCannotOpenTheStore(t *testing.T) {
	path := dbPath(t)
	open(t, path)
	_, err := store.Open(path, storetest.Received, store.Options{Lock: 10 * time.Millisecond})
	require.ErrorIs(t, err, store.ErrHeld)
	require.ErrorContains(t, err, "another agent has the database open")
}

func TestReadOnlyChangesNothing(t *testing.T) {
	s := newSample(t)
	path := s.at(t, s.file)
	db, err := store.Open(path, storetest.Received, store.Options{ReadOnly: true})
	require.NoError(t, err)
	_, err = db.Append([]drift.Entry{nth(1)}, nil)
	require.ErrorIs(t, err, store.ErrReadOnly)
	got, err := contents(db)
	require.NoError(t, err)
	require.Equal(t, s.contents, got)
	require.NoError(t, db.Close())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, s.file, after)

	missing := dbPath(t)
	_, err = store.Open(missing, storetest.Received, store.Options{ReadOnly: true})
	require.ErrorIs(t, err, os.ErrNotExist)
	require.NoFileExists(t, missing)
	require.NoFileExists(t, missing+".witness")
}

func TestTheStoreMayBeBounded(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{MaxSize: 20 << 20})
	require.NoError(t, err)
	var acks []int
	for {
		batch := make([]drift.Entry, 1000)
		for i := range batch {
			batch[i] = nth(len(acks) + i)
		}
		if _, err = s.Append(batch, nil); err != nil {
			break
		}
		for range batch {
			acks = append(acks, len(acks))
		}
	}
	require.ErrorIs(t, err, store.ErrFull)
	require.NotEmpty(t, acks)
	require.NoError(t, acked(s, acks))
	require.NoError(t, s.Close())
	reopened(t, path, acks)
}
