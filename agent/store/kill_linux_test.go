package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// These tests need Linux, root, strace and mkfs.ext4, as the continuous
// integration has them, and fail without.

// traced is strace with something done to a kind of call.
func traced(log, calls, injection string) []string {
	return []string{"strace", "-f", "-q", "-o", log, "-e", "trace=" + calls, "-e", "inject=" + calls + ":" + injection}
}

// killed runs a taking child, under the given wrapper if any, and kills both a
// while after its first receipt.
func killed(t *testing.T, wrapper []string, path string, from int, after time.Duration) said {
	t.Helper()
	return killedAs(t, "take", wrapper, path, from, after)
}

func killedAs(t *testing.T, mode string, wrapper []string, path string, from int, after time.Duration) said {
	t.Helper()
	c := command(t, mode, wrapper, path, fmt.Sprint(from))
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	out, err := c.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, c.Start())
	var once sync.Once
	heard := listen(out, func() {
		once.Do(func() { time.AfterFunc(after, func() { syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }) })
	})
	require.Error(t, c.Wait(), "the child ends by being killed")
	require.False(t, heard.has("error"), "%q", heard.lines)
	require.NotEmpty(t, heard.acks)
	return heard
}

func TestKillAtRandom(t *testing.T) {
	n := faulttest.Rounds(t, 200)
	random := rand.New(rand.NewPCG(1, 0))
	path := dbPath(t)
	var acks []int
	for round := range n {
		if round%20 == 0 {
			path, acks = dbPath(t), nil
		}
		heard := killed(t, nil, path, round%20*100_000, time.Duration(random.IntN(20_000))*time.Microsecond)
		require.False(t, heard.has("finding"), "%q", heard.lines)
		acks = append(acks, heard.acks...)
		reopened(t, path, acks)
	}
	faulttest.Bound(t, "kill -9 with a receipt lost or a store harmed", n)
}

// TestKillControl: a store that gives its receipts first and keeps afterwards is
// found out.
func TestKillControl(t *testing.T) {
	path := dbPath(t)
	heard := killedAs(t, "take-early", nil, path, 0, 20*time.Millisecond)
	foundOut(t, path, heard.acks)
}

// disk is an ext4 file system in a file.
type disk struct{ image, at string }

func newDisk(t *testing.T, megabytes int) disk {
	t.Helper()
	d := disk{filepath.Join(t.TempDir(), "image"), t.TempDir()}
	do(t, "truncate", "-s", fmt.Sprintf("%dM", megabytes), d.image)
	do(t, "mkfs.ext4", "-q", "-F", d.image)
	d.mount(t)
	return d
}

// mount attaches the disk until the test's end; nothing is flushed unless the
// program itself asks (commit=1000).
func (d disk) mount(t *testing.T) {
	t.Helper()
	do(t, "mount", "-o", "loop,commit=1000", d.image, d.at)
	t.Cleanup(func() { do(t, "umount", d.at) })
}

// afterPowerCut is the disk as a power cut at this moment would leave it: what
// has reached the device and nothing else.
func (d disk) afterPowerCut(t *testing.T) disk {
	t.Helper()
	cut := disk{filepath.Join(t.TempDir(), "image"), t.TempDir()}
	do(t, "cp", "--sparse=always", d.image, cut.image)
	cut.mount(t)
	return cut
}

func do(t *testing.T, name string, args ...string) {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s %q: %s", name, args, out)
}

func TestPowerCut(t *testing.T) {
	for name, wrapper := range map[string][]string{
		"quick disk": nil,
		"slow disk":  traced("/dev/null", "fdatasync", "delay_enter=5000"), // µs; a receipt given early would be caught
	} {
		t.Run(name, func(t *testing.T) {
			n := faulttest.Rounds(t, 20)
			random := rand.New(rand.NewPCG(2, 0))
			for range n {
				t.Run("", func(t *testing.T) {
					d := newDisk(t, 32)
					heard := killed(t, wrapper, filepath.Join(d.at, "arcdrift.db"), 0, time.Duration(random.IntN(30_000))*time.Microsecond)
					reopened(t, filepath.Join(d.afterPowerCut(t).at, "arcdrift.db"), heard.acks)
				})
			}
			faulttest.Bound(t, "power cut with a receipt lost or a store harmed", n)
		})
	}
}

// TestPowerCutControl: on a disk that says it has flushed and has not, the
// same test must see the loss; if it does not, it could see none.
func TestPowerCutControl(t *testing.T) {
	d := newDisk(t, 32)
	heard := killed(t, traced("/dev/null", "fdatasync,fsync", "retval=0"), filepath.Join(d.at, "arcdrift.db"), 0, 30*time.Millisecond)
	foundOut(t, filepath.Join(d.afterPowerCut(t).at, "arcdrift.db"), heard.acks)
}

// foundOut demands that the judge misses something.
func foundOut(t *testing.T, path string, acks []int) {
	t.Helper()
	s, err := kept(path, acks)
	if err == nil {
		require.NoError(t, s.Close())
	}
	require.Error(t, err, "what has a receipt and is not there was not missed")
	t.Log("missed, as it must be:", err)
}

// injected runs a child with one fault in its n-th call of a kind, and perhaps
// another, and says whether the call was reached.
func injected(t *testing.T, mode, call, fault string, n int, also []string, args ...string) (heard said, reached bool) {
	t.Helper()
	trace := filepath.Join(t.TempDir(), "trace")
	c := command(t, mode, append(traced(trace, call, fmt.Sprintf("%s:when=%d", fault, n)), also...), args...)
	var out bytes.Buffer
	c.Stdout = &out
	var exit *exec.ExitError
	if err := c.Run(); err != nil {
		require.ErrorAs(t, err, &exit)
	}
	raw, err := os.ReadFile(trace)
	require.NoError(t, err, "strace is needed")
	return listen(&out, func() {}), bytes.Contains(raw, []byte("INJECTED")) || bytes.Contains(raw, []byte("killed by SIGKILL"))
}

// everyCall puts the fault into the first, second, … call of each kind until
// the program comes through without reaching it, and returns how many there were.
func everyCall(t *testing.T, calls []string, try func(t *testing.T, call string, n int) (reached bool)) int {
	total := 0
	for _, call := range calls {
		for n := 1; ; n++ {
			reached := false
			t.Run(fmt.Sprintf("%s %d", call, n), func(t *testing.T) { reached = try(t, call, n) })
			if !reached {
				require.Greater(t, n, 1, "the script makes no %s", call)
				break
			}
			total++
		}
	}
	return total
}

func TestKillAtEveryWrite(t *testing.T) {
	n := everyCall(t, []string{"pwrite64", "fdatasync", "fsync", "ftruncate", "renameat"}, func(t *testing.T, call string, n int) bool {
		path := dbPath(t)
		heard, reached := injected(t, "script", call, "signal=KILL", n, nil, path)
		require.False(t, heard.has("error"), "%q", heard.lines)
		reopened(t, path, heard.acks)
		return reached
	})
	faulttest.Bound(t, "kill at a write, flush, growth or renaming with a receipt lost or a store harmed", n)
}

// TestKillAtAWriteControl: receipts that are given before the write are missed when
// the kill falls on it.
func TestKillAtAWriteControl(t *testing.T) {
	path := dbPath(t)
	heard, reached := injected(t, "script-early", "fdatasync", "signal=KILL", 8, nil, path)
	require.True(t, reached)
	foundOut(t, path, heard.acks)
}

func TestEveryWriteFails(t *testing.T) {
	total := 0
	for _, fault := range []struct {
		error string
		calls []string
	}{
		{"EIO", []string{"pwrite64", "fdatasync", "fsync", "ftruncate", "renameat"}},
		{"ENOSPC", []string{"pwrite64", "fdatasync"}},
		{"EROFS", []string{"renameat"}},
	} {
		total += everyCall(t, fault.calls, func(t *testing.T, call string, n int) bool {
			path := dbPath(t)
			heard, reached := injected(t, "script", call, "error="+fault.error, n, nil, path)
			unsure := false
			for _, line := range heard.lines {
				unsure = unsure || strings.HasPrefix(line, "unsure")
				require.False(t, unsure && strings.HasPrefix(line, "ack"), "a receipt after a failed flush: %q", heard.lines)
			}
			if call == "fdatasync" && len(heard.acks) > 0 && len(heard.acks) < 47 {
				require.True(t, unsure, "a failed flush must be told: %q", heard.lines)
			}
			reopened(t, path, heard.acks)
			return reached
		})
	}
	faulttest.Bound(t, "failed write, flush, growth or renaming with a receipt lost or a store harmed", total)
}

// TestAWriteFailsControl: receipts that are given whatever the store says are
// missed when a write fails.
func TestAWriteFailsControl(t *testing.T) {
	for _, fault := range []string{"EIO", "ENOSPC"} {
		path := dbPath(t)
		heard, reached := injected(t, "script-deaf", "pwrite64", "error="+fault, 12, nil, path)
		require.True(t, reached)
		foundOut(t, path, heard.acks)
	}
}

func TestRecoveryAfterAFailedFlush(t *testing.T) {
	path := dbPath(t)
	// Three flushes make the file and each batch takes two: the ninth is that of
	// the third batch's meta page.
	heard, reached := injected(t, "script-with-time", "fdatasync", "error=EIO", 9, nil, path)
	require.True(t, reached)
	require.True(t, heard.has("unsure"), "%q", heard.lines)
	require.True(t, heard.has("finding unsure"), "%q", heard.lines)
	require.Equal(t, 46, heard.acks[len(heard.acks)-1], "after a minute records are taken again")
	reopened(t, path, heard.acks)
}

func TestRestoreIsAllOrNothing(t *testing.T) {
	backup := filepath.Join(t.TempDir(), "backup")
	s := open(t, dbPath(t))
	_, err := s.Append([]drift.Entry{nth(1), nth(2), nth(3)}, nil)
	require.NoError(t, err)
	require.NoError(t, s.BackupFile(backup))
	n := everyCall(t, []string{"pwrite64", "fdatasync", "fsync", "linkat", "renameat"}, func(t *testing.T, call string, n int) bool {
		path := dbPath(t)
		old, err := store.Open(path, storetest.Received, store.Options{})
		require.NoError(t, err)
		_, err = old.Append([]drift.Entry{nth(101), nth(102)}, nil)
		require.NoError(t, err)
		require.NoError(t, old.Close())
		heard, reached := injected(t, "restore", call, "signal=KILL", n, nil, backup, path)
		require.False(t, heard.has("error"), "%q", heard.lines)

		s, err := store.Open(path, storetest.Received, store.Options{})
		require.NoError(t, err)
		defer s.Close()
		isOld, isNew := acked(s, []int{101, 102}), acked(s, []int{1, 2, 3})
		assert.True(t, (isOld == nil) != (isNew == nil), "the old store or the backup, not %v and %v", isOld, isNew)
		if heard.has("restored") {
			assert.NoError(t, isNew)
		}
		storetest.Invariants(t, s)
		return reached
	})
	faulttest.Bound(t, "kill during restore with neither store there", n)
}

// Whoever is forgotten is so in all the file or not at all, and so is an update.
func TestRewritingIsAllOrNothing(t *testing.T) {
	n := 0
	for name, p := range map[string]phase{"forgetting": phases()["forgetting"], "a newer version": {func(t *testing.T, path string) {
		raw, err := os.ReadFile("../../testdata/store/v2-people.bolt")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, raw, 0o600))
		require.NoError(t, os.WriteFile(path+".witness", must(os.ReadFile("../../testdata/store/v2-people.witness")), 0o600))
	}, []string{"look"}, nil, phases()["forgetting"].check}} {
		t.Run(name, func(t *testing.T) {
			n += everyCall(t, []string{"pwrite64", "fdatasync", "fsync", "ftruncate", "renameat", "unlinkat"}, func(t *testing.T, call string, n int) bool {
				path := dbPath(t)
				p.prepare(t, path)
				heard, reached := injected(t, p.child[0], call, "signal=KILL", n, nil, path)
				s, err := store.Open(path, storetest.Received, store.Options{})
				require.NoError(t, err)
				defer s.Close()
				p.check(t, s, heard)
				storetest.Invariants(t, s)
				report, err := s.Verify()
				require.NoError(t, err)
				require.Nil(t, report.First)
				if heard.has("forgotten") {
					nameless(t, s, path, asa)
				}
				require.NoFileExists(t, path+".rewriting")
				return reached
			})
		})
	}
	faulttest.Bound(t, "kill while the store was rewritten with neither the old nor the new one there", n)
}

// On a full disk records are refused and what was decided is still kept, in the
// room that the reserve gives up; with room again both are.
func TestDiskFullKeepsDecisions(t *testing.T) {
	n := faulttest.Rounds(t, 3)
	for range n {
		require.NoError(t, decideOnFullDisk(t, 1<<20))
	}
	faulttest.Bound(t, "full disk on which nothing could be decided", n)
	require.ErrorIs(t, decideOnFullDisk(t, 0), store.ErrFull, "without reserve the same cannot be kept")
}

// decideOnFullDisk fills a disk and says how deciding goes.
func decideOnFullDisk(t *testing.T, reserve int64) error {
	t.Helper()
	at, now := newDisk(t, 16).at, storetest.Received()
	path := filepath.Join(at, "arcdrift.db")
	s, err := store.Open(path, func() time.Time { return now }, store.Options{Reserve: reserve})
	require.NoError(t, err)
	var acks []int
	take := func() error {
		batch := make([]drift.Entry, 100)
		for i := range batch {
			batch[i] = nth(len(acks) + i)
		}
		_, err := s.Append(batch, nil)
		for i := 0; err == nil && i < len(batch); i++ {
			acks = append(acks, len(acks))
		}
		return err
	}
	require.NoError(t, take())
	filler := filepath.Join(at, "filler")
	f, err := os.Create(filler)
	require.NoError(t, err)
	for _, size := range []int{64 << 10, 512} { // to the last byte
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, size))
		}
		require.ErrorIs(t, err, syscall.ENOSPC)
	}
	require.NoError(t, f.Close())
	for err = nil; err == nil; {
		err = take() // the file has a few pages left
	}
	require.ErrorIs(t, err, store.ErrFull)
	var decided error
	for i := 0; i < 20 && decided == nil; i++ {
		decided = s.Decide(make([]byte, 20_000), nil, []store.OutboxItem{{Queue: "mail", Key: fmt.Sprint(i), Body: make([]byte, 1000)}})
	}
	require.ErrorIs(t, take(), store.ErrFull, "records do not take the room")
	require.NoError(t, acked(s, acks), "reading goes on")
	require.NoError(t, os.Remove(filler))
	now = now.Add(time.Minute)
	require.NoError(t, take())
	require.NoError(t, s.Decide(nil, nil, nil))
	require.NoError(t, s.Close())
	reopened(t, path, acks)
	return decided
}

func TestDiskFull(t *testing.T) {
	total := 0
	for name, disk := range disks() {
		t.Run(name, func(t *testing.T) {
			for range faulttest.Rounds(t, 2) {
				require.NoError(t, fillUp(t, disk(t), (*store.Store).Append))
				total++
			}
		})
	}
	faulttest.Bound(t, "full disk with a receipt lost, reading stopped, or a store that did not go on", total)
}

// TestDiskFullControl: receipts that are given whatever the store says are missed
// on a full disk.
func TestDiskFullControl(t *testing.T) {
	err := fillUp(t, disks()["tmpfs"](t), deafAppend)
	require.ErrorContains(t, err, "has a receipt and is gone")
	t.Log("missed, as it must be:", err)
}

// disks are small ones.
func disks() map[string]func(t *testing.T) (at string) {
	return map[string]func(t *testing.T) string{
		"ext4": func(t *testing.T) string { return newDisk(t, 8).at },
		"tmpfs": func(t *testing.T) string {
			at := t.TempDir()
			do(t, "mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", at)
			t.Cleanup(func() { do(t, "umount", at) })
			return at
		},
	}
}

// fillUp fills a disk until the store takes nothing and says what is missed of the
// receipts; with room again the same store goes on.
func fillUp(t *testing.T, at string, keep appending) error {
	t.Helper()
	path, filler := filepath.Join(at, "arcdrift.db"), filepath.Join(at, "filler")
	require.NoError(t, os.WriteFile(filler, make([]byte, 4<<20), 0o600))
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	var acks []int
	take := func(most int) error {
		for range most {
			batch := make([]drift.Entry, 100)
			for i := range batch {
				batch[i] = nth(len(acks) + i)
			}
			if _, err := keep(s, batch, nil); err != nil {
				return err
			}
			for range batch {
				acks = append(acks, len(acks))
			}
		}
		return nil
	}
	full := take(60)
	for range 2 {
		full = errors.Join(full, take(60))
	}
	if reading := acked(s, acks); reading != nil {
		return errors.Join(reading, s.Close())
	}
	require.ErrorIs(t, full, store.ErrFull)
	require.NoError(t, os.Remove(filler))
	require.NoError(t, take(3), "the same open store goes on when there is room")
	require.NoError(t, s.Close())
	reopened(t, path, acks)
	return nil
}
