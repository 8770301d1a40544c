package reach

import (
	"context"
	"io"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
)

// Place is where a command finds the records and the answers: the store itself
// or the running agent that holds it.
type Place interface {
	// Take hands records in and returns when they are durable. It waits while the place
	// is busy.
	Take(ctx context.Context, submissions []intake.Submission) ([]intake.Receipt, error)
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
