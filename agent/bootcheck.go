package agent

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
)

// A store is checked before it is served, in a process of its own: a file whose
// pages are corrupt can hang or kill whoever reads it. The check may compute for
// so long, and longer the larger the file is. Waiting for the disk does not
// count: a slow memory card is not a corrupt file.
const (
	checkBase   = 20 * time.Second
	checkPerMiB = 200 * time.Millisecond
	// checkLook is how often the check looks at what it has used, and how often
	// the service manager hears that it goes on.
	checkLook = 5 * time.Second
	// checkMore is how much longer the service manager should then wait.
	checkMore = time.Minute
)

// bootCheckName is the command of that process.
const bootCheckName = "boot-check"

// bootReport is what it answers.
type bootReport struct {
	Wrong      int
	First      string
	Unreadable bool
}

func bootCheckCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use: bootCheckName, Hidden: true,
		Short:   "Check the store before it is served, in a process that may be lost",
		Example: "  arcdrift boot-check",
	}
	limit := cmd.Flags().Duration("computing", 0, "processor `TIME` after which the file counts as unreadable")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		env.hangups() // a closed terminal does not end the check
		out, err := checkWithin(*limit, min(checkLook, *limit/2+1), func() (store.Report, error) { return store.VerifyFile(dbPath(cmd)) })
		if err != nil {
			return err
		}
		return writeJSON(env.Stdout, out)
	}
	return cmd
}

// checkWithin runs the check and says what it found. One that computes for
// longer than the limit is given up: corrupt pages can lead it in a circle.
func checkWithin(limit, look time.Duration, check func() (store.Report, error)) (bootReport, error) {
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
			out := bootReport{Wrong: r.Wrong, Unreadable: r.Unreadable}
			if r.First != nil {
				out.First = r.First.Error()
			}
			return out, r.err
		case <-ticker.C:
			if limit > 0 && computed()-began > limit {
				return bootReport{Wrong: 1, First: fmt.Sprintf("checking it does not come to an end (%s of computing)", limit), Unreadable: true}, nil
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

// checkTime is how long checking a file of that size may compute.
func checkTime(size int64) time.Duration {
	return checkBase + time.Duration(size>>20)*checkPerMiB
}

// bootCheck verifies the store at path in a child process. A store that the check
// found unreadable is moved to quarantine, so that data go on being taken in a
// new one. A check that ended without a finding is an error: the store stays as
// it is. It returns what the keeper must be told, or "".
func bootCheck(ctx context.Context, env Env, path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return "", nil // opening says what is to be said
	}
	patient, stop := context.WithCancel(ctx)
	var told sync.WaitGroup
	told.Go(func() { newSystemd(env.Environ, nil).extend(patient, checkLook, checkMore) })
	verdict, readable, err := runCheck(ctx, env, path, checkTime(info.Size()))
	stop()
	told.Wait()
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case err != nil:
		return "", fmt.Errorf("the check of the store ended before it had found anything (%w); the store %s is as it was and nothing was put aside: start the agent again, and if that does not help look at it with arcdrift verify", err, path)
	case readable:
		return verdict, nil
	}
	kept, err := store.Quarantine(path, env.Now())
	if err != nil {
		return "", fmt.Errorf("the store cannot be read (%s), and cannot be put aside: %w", verdict, err)
	}
	return fmt.Sprintf("The store %s could not be read: %s. It was moved to %s and a new one was begun; bring back a backup, or import an export.", path, verdict, kept), nil
}

// crashed matches the last words of a process that the file's pages have killed,
// and not those of one that found no memory or no threads.
var crashed = regexp.MustCompile(`(?m)^(panic: |unexpected fault address|fatal error: (fault|stack overflow|unexpected signal)|SIGBUS|SIGSEGV)`)

// runCheck runs verify on the store and says what it found, and whether the
// store can be served all the same: a corrupt record is named and read around.
// An error means that the check came to no finding.
func runCheck(ctx context.Context, env Env, path string, limit time.Duration) (verdict string, readable bool, err error) {
	self, err := os.Executable()
	if err != nil {
		return "It could not be checked: " + err.Error() + ".", true, nil
	}
	cmd := exec.CommandContext(ctx, self, bootCheckName, "--db", path, "--computing", limit.String())
	cmd.Args[0] = env.Program
	cmd.WaitDelay = time.Second
	var answer, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &answer, &talk
	err = cmd.Run()
	var found bootReport
	var exit *exec.ExitError
	answered := json.Unmarshal(answer.Bytes(), &found) == nil
	switch {
	case err == nil && answered && found.First == "":
		return "", true, nil
	case err == nil && answered && found.Unreadable:
		return found.First, false, nil
	case err == nil && answered:
		return fmt.Sprintf("In the store %s %s wrong, first: %s. What can be read goes on being used; run verify and compare with a backup.", path, isWrong(found.Wrong), found.First), true, nil
	case errors.As(err, &exit) && exit.ExitCode() == exitFailed:
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
