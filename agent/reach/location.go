package reach

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"arcdrift/agent/store"
)

// Location is a store, and what is needed to work there.
type Location struct {
	// Path is that of the store's file. Where the engine keeps the records elsewhere, it
	// is where the files beside a store are: the agent's socket, its address, its key.
	Path string
	Now  func() time.Time
	// Log takes messages beside the answers.
	Log io.Writer
	// Engine opens the store; nil is [Files].
	Engine Engine
}

func (l Location) engine() Engine {
	if l.Engine == nil {
		return Files{}
	}
	return l.Engine
}

// InFile says whether the store is a file, which one process has to itself.
func (l Location) InFile() bool {
	_, yes := l.engine().(Files)
	return yes
}

// Open opens the store or, when a running agent holds it, finds that agent and says
// so. Unless make is true, a missing store is an error: an empty store would give wrong
// answers for a mistyped name.
func (l Location) Open(ctx context.Context, make bool) (Place, error) {
	if !make {
		if err := l.MustBe(); err != nil {
			return nil, err
		}
	}
	s, err := openLocal(ctx, l)
	if errors.Is(err, store.ErrHeld) {
		return l.holder(ctx, err)
	}
	return s, err
}

// Serve opens the store for an agent.
func (l Location) Serve(ctx context.Context) (Store, error) { return l.engine().Open(ctx, l, Serving) }

// MustBe is an error that says so when there is no store.
func (l Location) MustBe() error { return l.engine().MustBe(l) }

// holder finds the running agent that holds the store and says that it asks it. An
// address alone proves nothing: another program may have that of an agent which was
// killed. So it is read only when the store is held, as the error held says.
func (l Location) holder(ctx context.Context, held error) (*remote, error) {
	url, ok := RunningAgent(ctx, l.Path)
	if !ok {
		return nil, fmt.Errorf("%w; no agent answers at an address in %s, so wait until it is done, or stop it", held, AddressFile(l.Path))
	}
	fmt.Fprintf(l.Log, "The store %s is held by a running agent; asking it at %s.\n", l.Path, url)
	return newRemote(l.Path, url), nil
}

// say writes a sentence about the store.
func (l Location) say(text string) { fmt.Fprintln(l.Log, text) }

// read reads a store that nobody holds; of one that a running agent holds, ask asks
// that agent.
func (l Location) read(ctx context.Context, read func(sound store.Reader, all Store) error, ask func(*remote) error) error {
	if err := l.MustBe(); err != nil {
		return err
	}
	s, err := l.engine().Open(ctx, l, Reading)
	if errors.Is(err, store.ErrHeld) {
		r, err := l.holder(ctx, err)
		if err != nil {
			return err
		}
		return errors.Join(ask(r), r.Close())
	}
	if err != nil {
		return err
	}
	return errors.Join(read(store.NewReader(s, l.say), s), s.Close())
}
