package server

import (
	"context"
	"fmt"
	"os"
	"sync"
	"time"

	"arcdrift/agent/bootcheck"
	"arcdrift/agent/store"
)

// During the check, the agent asks the service manager every checkEvery to wait for
// checkMore from then on.
const (
	checkEvery = 5 * time.Second
	checkMore  = time.Minute
)

// Check verifies the store at path in a child process. A store that the check
// found unreadable is moved to quarantine, and a new one takes the data from then
// on. A check that ended without a verdict is an error: the store stays as it is.
// It returns what the operator must know, or "".
func Check(ctx context.Context, env Env, path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return "", nil // opening reports what is wrong
	}
	checking, stop := context.WithCancel(ctx)
	var asking sync.WaitGroup
	asking.Go(func() { newSystemd(env.Environ, nil).extend(checking, checkEvery, checkMore) })
	verdict, readable, err := bootcheck.Run(ctx, env.Program, path, bootcheck.Limit(info.Size()))
	stop()
	asking.Wait()
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case err != nil:
		return "", fmt.Errorf("the check of the store ended without a verdict (%w). The store %s is unchanged. Start the agent again; if that does not help, run arcdrift verify", err, path)
	case readable:
		return verdict, nil
	}
	kept, err := store.Quarantine(path, env.Now())
	if err != nil {
		return "", fmt.Errorf("the store cannot be read (%s) and cannot be moved to quarantine: %w", verdict, err)
	}
	return fmt.Sprintf("The store %s could not be read: %s. It was moved to %s and a new one was made. Restore a backup, or import an export.", path, verdict, kept), nil
}
