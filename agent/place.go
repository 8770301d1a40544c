package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"strings"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
)

// place is where a command finds the records and the answers: the store itself
// or the running agent that holds it.
type place interface {
	// Take offers records and returns when they are durable. It waits while the
	// place is busy.
	Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error)
	// Assess answers for one machine or, with "", for all, worst first.
	Assess(ctx context.Context, machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error)
	// Move answers a crew that has moved.
	Move(ctx context.Context, q advise.Move) (advise.MoveAnswer, error)
	// LookBack answers which splices to doubt.
	LookBack(ctx context.Context, q lookback.Question) (lookback.Report, error)
	// Export writes every entry in the given format.
	Export(ctx context.Context, w io.Writer, format string) error
	Close() error
}

// openPlace opens the store at path or, when a running agent holds it, finds
// that agent and says so. Unless it may be made, a store that is not there is an
// error: an answer from an empty store would be a lie about a mistyped name.
func openPlace(ctx context.Context, env Env, path string, make bool) (place, error) {
	if !make {
		if err := mustBe(path); err != nil {
			return nil, err
		}
	}
	l, err := openLocal(ctx, env, path)
	if errors.Is(err, store.ErrHeld) {
		return holder(ctx, env, path, err)
	}
	return l, err
}

// mustBe says so when there is no store at path.
func mustBe(path string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no store %s; import or log records first, or name another with --db", path)
	}
	return nil
}

// holder finds the running agent that holds the store, as held says, and tells
// who is asked. An address alone proves nothing: that of an agent which was
// killed may be another's by now, so it is read only when the store is held.
func holder(ctx context.Context, env Env, path string, held error) (*remote, error) {
	url, ok := runningAgent(ctx, path)
	if !ok {
		return nil, fmt.Errorf("%w; no agent answers at an address in %s, so wait until it is done, or stop it", held, addressFile(path))
	}
	fmt.Fprintf(env.Stderr, "The store %s is held by a running agent; asking it at %s.\n", path, url)
	return newRemote(path, url), nil
}

// shortly is how long a command waits for a store that is held before it asks
// who holds it.
const shortly = 200 * time.Millisecond

// addressFile is where a running agent leaves its address.
func addressFile(path string) string { return path + ".agent" }

// leaveAddress leaves the address of an agent beside its store, whole or not at all:
// who finds the file reads it.
func leaveAddress(path, url string) error {
	fresh := addressFile(path) + ".new"
	if err := os.WriteFile(fresh, []byte(url+"\n"), 0o600); err != nil {
		return err
	}
	return os.Rename(fresh, addressFile(path))
}

// runningAgent reads the address that an agent left beside the store and asks
// whether it is still there; the file of one that was killed says nothing.
func runningAgent(ctx context.Context, path string) (url string, ok bool) {
	raw, err := os.ReadFile(addressFile(path))
	if err != nil {
		return "", false
	}
	url = strings.TrimSpace(string(raw))
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	at := newRemote(path, url)
	defer func() { _ = at.Close() }() // it has nothing to give back but a connection
	status, _, err := at.once(ctx, http.MethodGet, "/healthz", nil)
	// Of one that is just starting the file may be there and still empty.
	return url, url != "" && err == nil && status == http.StatusOK
}
