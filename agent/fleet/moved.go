package fleet

import "time"

// Moved is when the work on new records last went on, by the fleet's clock: at least once a
// minute. It is zero until every machine has its answer, which may take long.
func (f *Fleet) Moved() time.Time {
	if at := f.moved.Load(); at != nil && f.ready.Load() {
		return *at
	}
	return time.Time{}
}

// moves notes that the work goes on.
func (f *Fleet) moves() {
	now := f.now()
	f.moved.Store(&now)
}
