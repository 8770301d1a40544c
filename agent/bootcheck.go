package agent

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
)

// A store is checked before it is served, in a process of its own: a file whose
// pages are spoilt can hang or kill whoever reads it. The check may take so
// long, and longer the larger the file is; the slowest memory cards read some
// 10 MB a second.
const (
	checkBase   = 20 * time.Second
	checkPerMiB = 200 * time.Millisecond
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
	return &cobra.Command{
		Use: bootCheckName, Hidden: true,
		Short:   "Check the store before it is served, in a process that may be lost",
		Example: "  arcdrift boot-check",
		RunE: func(cmd *cobra.Command, _ []string) error {
			report, err := store.VerifyFile(dbPath(cmd))
			if err != nil {
				return err
			}
			out := bootReport{Wrong: report.Wrong, Unreadable: report.Unreadable}
			if report.First != nil {
				out.First = report.First.Error()
			}
			return writeJSON(env.Stdout, out)
		},
	}
}

// bootCheck verifies the store at path in a child process. A store that cannot
// be read is moved to quarantine, so that data go on being taken in a new one. It
// returns what the keeper must be told, or "".
func bootCheck(ctx context.Context, env Env, path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return "", nil // opening says what is to be said
	}
	limit := checkBase + time.Duration(info.Size()>>20)*checkPerMiB
	verdict, sound := runCheck(ctx, env, path, limit)
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case sound:
		return verdict, nil
	}
	kept, err := store.Quarantine(path, env.Now())
	if err != nil {
		return "", fmt.Errorf("the store cannot be read (%s), and cannot be put aside: %w", verdict, err)
	}
	return fmt.Sprintf("The store %s could not be read: %s. It was moved to %s and a new one was begun; bring back a backup, or import an export.", path, verdict, kept), nil
}

// runCheck runs verify on the store and says what it found, and whether the
// store can be served all the same: a spoilt record is named and read around.
func runCheck(ctx context.Context, env Env, path string, limit time.Duration) (verdict string, readable bool) {
	self, err := os.Executable()
	if err != nil {
		return "It could not be checked: " + err.Error() + ".", true
	}
	limited, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	cmd := exec.CommandContext(limited, self, bootCheckName, "--db", path)
	cmd.Args[0] = env.Program
	cmd.WaitDelay = time.Second
	var answer, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &answer, &talk
	err = cmd.Run()
	var found bootReport
	var exit *exec.ExitError
	answered := json.Unmarshal(answer.Bytes(), &found) == nil
	switch {
	case limited.Err() != nil:
		return fmt.Sprintf("checking it did not end within %s", limit), false
	case err == nil && answered && found.First == "":
		return "", true
	case err == nil && answered && found.Unreadable:
		return found.First, false
	case err == nil && answered:
		return fmt.Sprintf("In the store %s %s wrong, first: %s. What can be read goes on being used; run verify and compare with a backup.", path, isWrong(found.Wrong), found.First), true
	case errors.As(err, &exit) && exit.ExitCode() == exitFailed:
		// It is held by another, foreign or newer, or empty: opening says so.
		return "", true
	}
	return fmt.Sprintf("checking it failed (%v)", err), false
}

func isWrong(n int) string {
	if n == 1 {
		return "one thing is"
	}
	return fmt.Sprintf("%d things are", n)
}
