package pgstore

import (
	"context"
	"errors"
	"io"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// AwayError says that the database cannot do the work now: it cannot be reached, stops,
// is too slow, or is only a copy. Trying again later is right. A record that was submitted
// may have been stored, and is not acknowledged.
type AwayError struct {
	// Meaning is one sentence.
	Meaning string
	Cause   error
}

func (e *AwayError) Error() string { return e.Meaning }

// Unwrap is the database's error.
func (e *AwayError) Unwrap() error { return e.Cause }

// ErrFenced says that the caller does not hold the lease of the slot any more: another
// process may be its owner.
var ErrFenced = errors.New("another process owns these machines now: nothing was written")

// away turns an error of the connection into an AwayError, and leaves others.
func away(err error) error {
	if err == nil || errors.Is(err, ErrFenced) || errors.Is(err, pgx.ErrNoRows) || errors.As(err, new(*AwayError)) {
		return err
	}
	var state *pgconn.PgError
	if errors.As(err, &state) {
		if meaning := meaningOf(state.Code); meaning != "" {
			return &AwayError{meaning, err}
		}
		return err
	}
	var network net.Error
	switch {
	case errors.Is(err, context.DeadlineExceeded), pgconn.Timeout(err):
		return &AwayError{"the database does not answer in time: no records are taken until it does", err}
	case errors.As(err, new(*pgconn.ConnectError)), errors.As(err, &network), pgconn.SafeToRetry(err),
		errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		return &AwayError{"the database cannot be reached: no records are taken until it can", err}
	}
	return err
}

// meaningOf is the sentence for a code of PostgreSQL's appendix A, "" for one that does
// not pass by itself.
func meaningOf(code string) string {
	switch code {
	case "57014", "55P03", "25P03":
		return "the database is too slow or overloaded: no records are taken until it is not"
	case "57P01", "57P02", "57P03":
		return "the database is stopping or starting: no records are taken until it runs"
	case "25006":
		return "the database is a copy that takes no writes: connect to the primary server"
	case "53100":
		return "the database's disk is full: no records are taken until there is room"
	case "53200", "53300":
		return "the database has no memory or connection left: no records are taken until it has"
	}
	switch code[:2] {
	case "08", "40", "58":
		return "the database broke off the work: it can be tried again"
	}
	return ""
}
