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

// While the check goes on, the service manager hears every checkEvery that it may take
// checkMore from then on.
const (
	checkEvery = 5 * time.Second
	checkMore  = time.Minute
)

// Check verifies the store at path in a child process. A store that the check
// found unreadable is moved to quarantine, so that data go on being taken in a
// new one. A check that ended without a finding is an error: the store stays as
// it is. It returns what the keeper must be told, or "".
func Check(ctx context.Context, env Env, path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return "", nil // opening says what is to be said
	}
	patient, stop := context.WithCancel(ctx)
	var told sync.WaitGroup
	told.Go(func() { newSystemd(env.Environ, nil).extend(patient, checkEvery, checkMore) })
	verdict, readable, err := bootcheck.Run(ctx, env.Program, path, bootcheck.Limit(info.Size()))
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
