package reach

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"arcdrift/agent/store"
)

// Location is a store by its path, and what is needed to work there.
type Location struct {
	Path string
	Now  func() time.Time
	// Log takes messages beside the answers.
	Log io.Writer
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
	s, err := openLocal(ctx, l.Path, l.Now, l.say)
	if errors.Is(err, store.ErrHeld) {
		return l.holder(ctx, err)
	}
	return s, err
}

// MustBe is an error that says so when there is no store.
func (l Location) MustBe() error {
	if _, err := os.Stat(l.Path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no store %s; import or log records first, or name another with --db", l.Path)
	}
	return nil
}

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
func (l Location) read(ctx context.Context, read func(store.Reader) error, ask func(*remote) error) error {
	if err := l.MustBe(); err != nil {
		return err
	}
	s, err := store.Open(l.Path, l.Now, store.Options{ReadOnly: true, Lock: shortly})
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
	return errors.Join(read(store.NewReader(s, l.say)), s.Close())
}
