package reach

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"arcdrift/agent/export"
	"arcdrift/agent/fleet"
	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/version"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
)

// local works on a store that this process has open.
type local struct {
	store *store.Store
	door  *intake.Handler
	stop  func() error // ends the door's writer
	mind  *fleet.Answers
	say   func(text string)
}

// shortly is how long a command waits for a store that is held before it asks
// who holds it.
const shortly = 200 * time.Millisecond

// openLocal opens the store at path, making it when there is none. say writes a sentence
// about the store.
func openLocal(ctx context.Context, path string, now func() time.Time, say func(text string)) (*local, error) {
	s, err := store.Open(path, now, store.Options{Lock: shortly})
	if err != nil {
		return nil, err
	}
	for _, f := range s.Diagnostics() {
		say(f.Text)
	}
	for _, left := range []string{AddressFile(path), SocketFile(path)} {
		if err := os.Remove(left); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, errors.Join(fmt.Errorf("what an agent that was killed left cannot be removed: %w", err), s.Close())
		}
	}
	own := &local{store: s, say: say}
	readable := store.NewReader(s, say)
	own.mind = fleet.NewAnswers(readable, now)
	if build, err := version.Build(); err == nil { // else nothing is kept
		own.mind = fleet.NewKeptAnswers(readable, build, now)
	}
	own.door = intake.New(s, now, func([]drift.Entry) {})
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- own.door.Run(ctx) }()
	own.stop = func() error {
		cancel()
		return <-done
	}
	return own, nil
}

// Close lets the door finish, keeps what was worked out, and closes the store.
func (l *local) Close() error {
	err := l.stop()
	if err := l.mind.Keep(); err != nil {
		l.say("The next answer will take as long as this one; what was worked out cannot be kept: " + err.Error() + ".")
	}
	return errors.Join(err, l.store.Close())
}

// Take offers the records, in turn, while the door is busy.
func (l *local) Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	return l.door.Take(ctx, offers)
}

// Assess answers from the store's own history.
func (l *local) Assess(_ context.Context, machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	out, err := l.mind.AssessAt(machine, asOf, knownAt)
	if err == nil && machine != "" && len(out) == 0 {
		return nil, &drift.Problem{Field: "machine", Value: machine, Reason: "is not known here: no record names it"}
	}
	return out, err
}

// Move answers a crew that has moved.
func (l *local) Move(_ context.Context, q advise.Move) (advise.MoveAnswer, error) {
	return l.mind.Move(q)
}

// Export writes all that is kept.
func (l *local) Export(_ context.Context, w io.Writer, format string) error {
	return export.Write(l.store, w, format)
}

// LookBack answers which splices to doubt.
func (l *local) LookBack(_ context.Context, q lookback.Question) (lookback.Report, error) {
	return l.mind.LookBack(q)
}
