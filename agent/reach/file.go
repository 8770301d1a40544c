package reach

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"arcdrift/agent/store"
)

// Files is the engine of stores in files: the one of the program arcdrift.
type Files struct{}

// reserve is the room on the disk that an agent holds back for its alerts, in bytes.
const reserve = 4 << 20

// Open implements [Engine].
func (Files) Open(_ context.Context, at Location, use Use) (Store, error) {
	options := store.Options{ReadOnly: use == Reading, Lock: shortly}
	if use == Serving {
		options = store.Options{Reserve: reserve}
	}
	s, err := store.Open(at.Path, at.Now, options)
	if err != nil {
		return nil, err // not a nil *store.Store in an interface
	}
	return s, nil
}

// MustBe implements [Engine].
func (Files) MustBe(at Location) error {
	if _, err := os.Stat(at.Path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no store %s; import or log records first, or name another with --db", at.Path)
	}
	return nil
}
