package store_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// The fault tests run this test binary again as a child, which writes to a
// store and says on its standard output what it has a receipt for. The parent,
// which survives, holds the store to that. ARCDRIFT_FAULTS multiplies the
// rounds. Each has a control: the same with one guarantee taken away, which the
// same judge must find out.

const childVar = "ARCDRIFT_STORE_CHILD"

func TestMain(m *testing.M) {
	if mode := os.Getenv(childVar); mode != "" {
		runtime.LockOSThread() // strace counts calls by thread
		if err := child(mode, os.Args[1:]); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// nth is the record that children write as number n.
func nth(n int) drift.Entry { return storetest.Calibration(fmt.Sprintf("K-%d", n%7), n) }

func child(mode string, args []string) error {
	switch mode {
	case "take":
		from, err := strconv.Atoi(args[1])
		if err != nil {
			return err
		}
		return childTakes(args[0], from, func(s *store.Store) intake.Store { return s })
	case "take-early":
		return childTakes(args[0], 0, func(s *store.Store) intake.Store { return early{s} })
	case "script":
		return childScript(args[0], storetest.Received, (*store.Store).Append)
	case "script-early":
		return childScript(args[0], storetest.Received, earlyAppend())
	case "script-deaf":
		return childScript(args[0], storetest.Received, deafAppend)
	case "script-with-time":
		now := storetest.Received()
		return childScript(args[0], func() time.Time {
			now = now.Add(time.Minute)
			return now
		}, (*store.Store).Append)
	case "restore":
		return childRestores(args[0], args[1])
	case "compact":
		s, err := store.Open(args[0], storetest.Received, store.Options{})
		if err != nil {
			return err
		}
		_, err = s.Compact(context.Background(), store.Compaction{})
		return errors.Join(err, s.Close())
	case "forget":
		s, err := store.Open(args[0], storetest.Received, store.Options{})
		if err != nil {
			return err
		}
		if _, err = s.Forget(asa); err == nil {
			fmt.Println("forgotten")
		}
		return errors.Join(err, s.Close())
	case "look":
		return childLooks(args[0])
	case "raw":
		return childReadsRaw(args[0])
	}
	return errors.New("no such child: " + mode)
}

// childTakes offers records from several goroutines through a door until it is
// killed.
func childTakes(path string, from int, as func(*store.Store) intake.Store) error {
	s, err := store.Open(path, time.Now, store.Options{})
	if err != nil {
		return err
	}
	for _, f := range s.Diagnostics() {
		fmt.Println("finding", f.Text)
	}
	d := intake.New(as(s), time.Now, func([]drift.Entry) {})
	go d.Run(context.Background())
	const callers = 4
	var wait sync.WaitGroup
	for c := range callers {
		wait.Go(func() {
			for n := from + c; ; n += callers {
				r := nth(n).Record
				receipts, err := d.Take(context.Background(), []intake.Submission{{Record: r, Via: "mqtt"}})
				if err != nil || receipts[0].Refused != nil {
					fmt.Println("error", err, receipts)
					return
				}
				fmt.Println("ack", n)
			}
		})
	}
	wait.Wait()
	return s.Close()
}

// appending is how a script keeps a batch.
type appending func(*store.Store, []drift.Entry, []drift.Refusal) ([]drift.Placement, error)

// deafAppend hears of no error: the control of what is to be said of one.
func deafAppend(s *store.Store, entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	_, _ = s.Append(entries, refusals)
	return make([]drift.Placement, len(entries)), nil
}

// earlyAppend gives the receipts of a batch before it keeps it: the control of
// where a kill may fall.
func earlyAppend() appending {
	var before []drift.Entry
	return func(s *store.Store, entries []drift.Entry, _ []drift.Refusal) ([]drift.Placement, error) {
		_, err := s.Append(before, nil)
		before = entries
		return nil, err
	}
}

// early is a store that gives receipts and keeps afterwards.
type early struct{ *store.Store }

func (e early) Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	later := slices.Clone(entries)
	go func() { _, _ = e.Store.Append(later, refusals) }()
	return make([]drift.Placement, len(entries)), nil
}

// childScript always does the same: five batches, then a clean end. It goes on
// after an error, as an agent does.
func childScript(path string, now func() time.Time, keep appending) error {
	s, err := store.Open(path, now, store.Options{Reserve: 1 << 10})
	if err != nil {
		return err
	}
	n := 0
	for _, size := range []int{2, 40, 3, 1, 1} {
		batch := make([]drift.Entry, size)
		for i := range batch {
			batch[i] = nth(n + i)
		}
		_, err := keep(s, batch, nil)
		switch {
		case errors.Is(err, store.ErrFull):
			fmt.Println("full", err)
		case errors.Is(err, store.ErrUnsure):
			fmt.Println("unsure", err)
		case err != nil:
			return err
		default:
			for i := range batch {
				fmt.Println("ack", n+i)
			}
		}
		n += size
	}
	for _, f := range s.Diagnostics() {
		fmt.Println("finding", f.Kind, f.Text)
	}
	return s.Close()
}

func childRestores(backup, path string) error {
	f, err := os.Open(backup)
	if err != nil {
		return err
	}
	if _, err = store.Restore(f, path, storetest.Received()); err == nil {
		fmt.Println("restored")
	}
	return err
}

// childLooks opens a store, checks it and says what can be read from it.
func childLooks(path string) error {
	s, err := store.Open(path, storetest.Received, store.Options{})
	if err != nil {
		return err
	}
	for _, f := range s.Diagnostics() {
		fmt.Println("finding", f.Kind)
	}
	report, err := s.Verify()
	if err != nil {
		return err
	}
	if report.First != nil {
		fmt.Println("damage", report.First)
	}
	digest, err := contents(s)
	if err != nil {
		return err
	}
	fmt.Println("contents", digest)
	return nil
}

// contents is a digest over everything a store answers.
func contents(s storetest.Store) (string, error) {
	h := sha256.New()
	all, err := s.Since(0, 0, 0)
	if err != nil {
		return "", err
	}
	for i := range all {
		fmt.Fprintf(h, "%s %v %d %d %s\n", all[i].AppendCanonical(nil), all[i].Received, all[i].StoreEpoch, all[i].StoreSeq, all[i].Via)
	}
	machines, err := s.Machines()
	if err != nil {
		return "", err
	}
	for _, m := range machines {
		history, err := s.History(m)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(h, m, len(history))
	}
	setups, err := s.Setups()
	if err != nil {
		return "", err
	}
	conflicts, err := s.Conflicts()
	if err != nil {
		return "", err
	}
	refusals, err := s.Refusals("", 0)
	if err != nil {
		return "", err
	}
	counts, err := s.RefusalCounts()
	fmt.Fprintln(h, len(setups), len(conflicts), refusals, counts)
	return fmt.Sprintf("%d %x", len(all), h.Sum(nil)[:8]), err
}

// command is this binary as a child, under the given wrapper if any.
func command(t *testing.T, mode string, wrapper []string, args ...string) *exec.Cmd {
	self, err := os.Executable()
	require.NoError(t, err)
	line := append(append(wrapper, self), args...)
	c := exec.Command(line[0], line[1:]...)
	// Under the race detector a program sleeps for a second at its end.
	c.Env = append(os.Environ(), childVar+"="+mode, "GORACE=atexit_sleep_ms=0")
	return c
}

// said is what a child wrote: its receipts and its other lines by first word.
type said struct {
	acks  []int
	lines []string
}

func listen(r io.Reader, heard func()) said {
	var out said
	for lines := bufio.NewScanner(r); lines.Scan(); {
		word, rest, _ := strings.Cut(lines.Text(), " ")
		if n, err := strconv.Atoi(rest); word == "ack" && err == nil {
			out.acks = append(out.acks, n)
		}
		out.lines = append(out.lines, lines.Text())
		heard()
	}
	return out
}

func (s said) has(word string) bool {
	for _, l := range s.lines {
		if strings.HasPrefix(l, word) {
			return true
		}
	}
	return false
}

// acked holds a store to its receipts: each is there, byte for byte.
func acked(s storetest.Store, acks []int) error {
	for _, n := range acks {
		want := nth(n)
		got, found, err := s.Find(want.Machine, want.ID)
		switch {
		case err != nil:
			return err
		case !found:
			return fmt.Errorf("record %d has a receipt and is gone", n)
		case !bytes.Equal(want.AppendCanonical(nil), got.AppendCanonical(nil)):
			return fmt.Errorf("record %d has a receipt and reads differently", n)
		}
	}
	return nil
}

// kept is the judge of a fault: it opens the store after it, nothing odd is found
// and every receipt is kept.
func kept(path string, acks []int) (*store.Store, error) {
	s, err := store.Open(path, storetest.Received, store.Options{})
	if err != nil {
		return nil, err
	}
	for _, f := range s.Diagnostics() {
		err = errors.Join(err, errors.New(f.Text))
	}
	if err = errors.Join(err, acked(s, acks)); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// reopened holds a store to the judge; every record is sound, and more is taken.
func reopened(t *testing.T, path string, acks []int) {
	t.Helper()
	s, err := kept(path, acks)
	require.NoError(t, err)
	_, err = s.Append([]drift.Entry{storetest.Calibration("K-after", len(acks))}, nil)
	require.NoError(t, err)
	storetest.Invariants(t, s)
	require.NoError(t, s.Close())
}
