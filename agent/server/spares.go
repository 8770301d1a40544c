package server

import (
	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
	"sync"
)

// sparesCache holds the spares of the latest snapshot: they take long to compute for a
// large fleet.
type sparesCache struct {
	mu      sync.Mutex
	version uint64
	rows    []advise.Spares
}

func (k *sparesCache) of(s *fleet.Snapshot) []advise.Spares {
	k.mu.Lock()
	defer k.mu.Unlock()
	if s.Version != k.version {
		k.version, k.rows = s.Version, s.Spares()
	}
	return k.rows
}
