package server

import (
	"sync"
	"time"

	"arcdrift/drift"
)

// mostReadings bounds the sensors; of more, the one that has been silent longest is
// forgotten.
const mostReadings = 10_000

// readings are the latest of the sensors at the machines. They pass: a restart forgets them.
type readings struct {
	now    func() time.Time
	mu     sync.Mutex
	latest map[string]drift.AirReading
}

// keep keeps a reading unless a later one is there. Without a time of its own, or with one
// that is still to come, it is of now.
func (k *readings) keep(machine string, r drift.AirReading) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if now := k.now(); r.Time.IsZero() || r.Time.After(now) {
		r.Time = now
	}
	before, there := k.latest[machine]
	if there && before.Time.After(r.Time) {
		return
	}
	if !there && len(k.latest) >= mostReadings {
		oldest := ""
		for name, other := range k.latest {
			if oldest == "" || other.Time.Before(k.latest[oldest].Time) {
				oldest = name
			}
		}
		delete(k.latest, oldest)
	}
	k.latest[machine] = r
}

// at is the latest reading at a machine, and whether there is one.
func (k *readings) at(machine string) (drift.AirReading, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	r, there := k.latest[machine]
	return r, there
}
