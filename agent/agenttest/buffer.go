package agenttest

import (
	"bytes"
	"sync"
)

// Buffer takes a log from several goroutines.
type Buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *Buffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *Buffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
