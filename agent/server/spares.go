package server

import (
	"sync"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// sparesCache holds the spares of the latest snapshot: they take long to compute for a
// large fleet.
type sparesCache struct {
	mu      sync.Mutex
	version uint64
	rows    []advise.Spares
}

// of are the spares for a part of the fleet; those for all of it are kept.
func (k *sparesCache) of(s *fleet.Snapshot, part drift.Part) []advise.Spares {
	if part != nil {
		return s.Spares(part)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if s.Version != k.version {
		k.version, k.rows = s.Version, s.Spares(nil)
	}
	return k.rows
}
