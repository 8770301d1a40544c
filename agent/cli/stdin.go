package cli

import (
	"context"
	"errors"
	"io"
)

var errInterrupted = errors.New("interrupted")

// interruptible is an input whose reading ends with ctx: a read that waits for a terminal or
// a pipe is broken off by nothing. It is for one goroutine.
type interruptible struct {
	ctx  context.Context
	from io.Reader
	buf  []byte // of the read that may go on after the end
}

func (r *interruptible) Read(b []byte) (int, error) {
	if r.ctx.Err() != nil {
		return 0, errInterrupted
	}
	if len(r.buf) < len(b) {
		r.buf = make([]byte, len(b))
	}
	into := r.buf[:len(b)]
	type result struct {
		n   int
		err error
	}
	done := make(chan result, 1)
	go func() {
		n, err := r.from.Read(into)
		done <- result{n, err}
	}()
	select {
	case got := <-done:
		return copy(b, into[:got.n]), got.err
	case <-r.ctx.Done():
		return 0, errInterrupted
	}
}
