package server

import (
	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
	"sync"
)

// stock remembers the spares of the latest snapshot: in a large fleet they take
// a while to work out.
type stock struct {
	mu      sync.Mutex
	version uint64
	rows    []advise.Spares
}

func (k *stock) of(s *fleet.Snapshot) []advise.Spares {
	k.mu.Lock()
	defer k.mu.Unlock()
	if s.Version != k.version {
		k.version, k.rows = s.Version, s.Spares()
	}
	return k.rows
}
