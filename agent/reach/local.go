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
	store   Store
	intake  *intake.Handler
	stop    func() error // ends the intake's writer
	answers *fleet.Answers
	say     func(text string)
}

// shortly is how long a command waits for a store that is held before it asks
// who holds it.
const shortly = 200 * time.Millisecond

// openLocal opens the store at a location, making it when there is none.
func openLocal(ctx context.Context, at Location) (*local, error) {
	s, err := at.engine().Open(ctx, at, Writing)
	if err != nil {
		return nil, err
	}
	if d, can := s.(Diagnoser); can {
		for _, f := range d.Diagnostics() {
			at.say(f.Text)
		}
	}
	if err := at.tidy(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	own := &local{store: s, say: at.say}
	readable := store.NewReader(s, at.say)
	build, err := version.Build()
	switch {
	case err != nil:
		own.answers = fleet.NewAnswers(readable, at.Now) // and nothing is kept
	case at.InFile():
		own.answers = fleet.NewKeptAnswers(readable, build, at.Now)
	default: // others write at the same time, and the cache is theirs
		own.answers = fleet.NewSharedAnswers(readable, build, at.Now)
	}
	own.intake = intake.New(s, at.Now, func([]drift.Entry) {})
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- own.intake.Run(ctx) }()
	own.stop = func() error {
		cancel()
		return <-done
	}
	return own, nil
}

// tidy removes what an agent that was killed left beside a store that is now ours.
func (l Location) tidy() error {
	if !l.InFile() {
		return nil
	}
	for _, left := range []string{AddressFile(l.Path), SocketFile(l.Path)} {
		if err := os.Remove(left); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("a file of an agent that was killed cannot be removed: %w", err)
		}
	}
	return nil
}

// Close lets the intake finish, keeps what was computed, and closes the store.
func (l *local) Close() error {
	err := l.stop()
	if err := l.answers.Keep(); err != nil {
		l.say("The next answer will take as long as this one, because what was computed cannot be kept: " + err.Error() + ".")
	}
	return errors.Join(err, l.store.Close())
}

// Take hands the records in; it waits while the intake is busy.
func (l *local) Take(ctx context.Context, submissions []intake.Submission) ([]intake.Receipt, error) {
	return l.intake.Take(ctx, submissions)
}

// Assess answers from the store's own history.
func (l *local) Assess(_ context.Context, machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	out, err := l.answers.AssessAt(machine, asOf, knownAt)
	if err == nil && machine != "" && len(out) == 0 {
		return nil, &drift.Problem{Field: "machine", Value: machine, Reason: "is not known here: no record names it"}
	}
	return out, err
}

// Move answers a crew that has moved.
func (l *local) Move(_ context.Context, q advise.Move) (advise.MoveAnswer, error) {
	return l.answers.Move(q)
}

// Export writes all that is kept.
func (l *local) Export(_ context.Context, w io.Writer, format string) error {
	return export.Write(l.store, w, format, nil)
}

// LookBack answers which splices to doubt.
func (l *local) LookBack(_ context.Context, q lookback.Question) (lookback.Report, error) {
	return l.answers.LookBack(q)
}
