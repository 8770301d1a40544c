// Package bootcheck verifies a store in a process of its own. A file whose pages are
// corrupt can hang or kill the process that reads it.
package bootcheck

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"syscall"
	"time"

	"arcdrift/agent/store"
)

// The check may compute for so long, and longer the larger the file is. Waiting for
// the disk does not count: a slow memory card is not a corrupt file.
const (
	base   = 20 * time.Second
	perMiB = 200 * time.Millisecond
	// look is how often the check looks at what it has used.
	look = 5 * time.Second
)

// Command is the program's command that carries out the check.
const Command = "boot-check"

// failed is the exit code of a command that could not do its work.
const failed = 1

// Report is what the check's process answers.
type Report struct {
	Wrong      int
	First      string
	Unreadable bool
}

// Verify checks the store in this process. After limit of processor time, 0 for
// none, the store counts as unreadable.
func Verify(path string, limit time.Duration) (Report, error) {
	return within(limit, min(look, limit/2+1), func() (store.Report, error) { return store.VerifyFile(path) })
}

// within runs the check and says what it found. One that computes for
// longer than the limit is given up: corrupt pages can lead it in a circle.
func within(limit, look time.Duration, check func() (store.Report, error)) (Report, error) {
	type ended struct {
		store.Report
		err error
	}
	done := make(chan ended, 1)
	go func() {
		r, err := check()
		done <- ended{r, err}
	}()
	began := computed()
	ticker := time.NewTicker(look)
	defer ticker.Stop()
	for {
		select {
		case r := <-done:
			out := Report{Wrong: r.Wrong, Unreadable: r.Unreadable}
			if r.First != nil {
				out.First = r.First.Error()
			}
			return out, r.err
		case <-ticker.C:
			if limit > 0 && computed()-began > limit {
				return Report{Wrong: 1, First: fmt.Sprintf("checking it does not come to an end (%s of computing)", limit), Unreadable: true}, nil
			}
		}
	}
}

// computed is the processor time that this process has used.
func computed() time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		return 0 // then there is no limit
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// Limit is how long checking a file of that size may compute.
func Limit(size int64) time.Duration {
	return base + time.Duration(size>>20)*perMiB
}

// crashed matches the last words of a process that the file's pages have killed,
// and not those of one that found no memory or no threads.
var crashed = regexp.MustCompile(`(?m)^(panic: |unexpected fault address|fatal error: (fault|stack overflow|unexpected signal)|SIGBUS|SIGSEGV)`)

// Run runs verify on the store and says what it found, and whether the
// store can be served all the same: a corrupt record is named and read around.
// An error means that the check came to no finding.
func Run(ctx context.Context, program, path string, limit time.Duration) (verdict string, readable bool, err error) {
	self, err := os.Executable()
	if err != nil {
		return "It could not be checked: " + err.Error() + ".", true, nil
	}
	cmd := exec.CommandContext(ctx, self, Command, "--db", path, "--computing", limit.String())
	cmd.Args[0] = program
	cmd.WaitDelay = time.Second
	var answer, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &answer, &talk
	err = cmd.Run()
	var found Report
	var exit *exec.ExitError
	answered := json.Unmarshal(answer.Bytes(), &found) == nil
	switch {
	case err == nil && answered && found.First == "":
		return "", true, nil
	case err == nil && answered && found.Unreadable:
		return found.First, false, nil
	case err == nil && answered:
		return fmt.Sprintf("In the store %s %s wrong, first: %s. What can be read goes on being used; run verify and compare with a backup.", path, isWrong(found.Wrong), found.First), true, nil
	case errors.As(err, &exit) && exit.ExitCode() == failed:
		// It is held by another, foreign or newer, or empty: opening says so.
		return "", true, nil
	case errors.As(err, &exit) && crashed.Match(talk.Bytes()):
		return fmt.Sprintf("reading it ended the check (%v)", err), false, nil
	case err == nil:
		err = errors.New("it gave no answer")
	}
	return "", false, err
}

func isWrong(n int) string {
	if n == 1 {
		return "one thing is"
	}
	return fmt.Sprintf("%d things are", n)
}
