package intake

import (
	"time"

	"arcdrift/drift"
)

// Counter is the last known arc count of a machine's fitted pair and when it
// was read. After a replacement it is unknown until the next reading.
type Counter struct {
	Arcs drift.Opt[int64]
	At   time.Time
}

// Next is the counter after one more entry. An entry from before the last
// reading, such as a late upload, changes nothing.
func (c Counter) Next(e *drift.Entry) Counter {
	at := readAt(e)
	switch {
	case at.Before(c.At):
		return c
	case replaced(&e.Record):
		return Counter{At: at}
	case e.ArcCount.Known():
		return Counter{Arcs: e.ArcCount, At: at}
	}
	return c
}

// risen says whether the entry's count is above the last one known.
func (c Counter) risen(r *drift.Record) bool {
	now, ok := r.ArcCount.Get()
	return ok && now > c.Arcs.Or(-1)
}

// fell returns the count from which the entry's fell, without a replacement
// that would explain it.
func (c Counter) fell(e *drift.Entry) (int64, bool) {
	last, known := c.Arcs.Get()
	now, given := e.ArcCount.Get()
	return last, known && given && now < last && !replaced(&e.Record) && !readAt(e).Before(c.At)
}

func replaced(r *drift.Record) bool {
	return r.Service != nil && r.Service.Action == drift.Replaced
}

// readAt is when the entry's counter was read; a clock that runs ahead must
// not outlive its records.
func readAt(e *drift.Entry) time.Time {
	if at := e.When(); at.Before(e.Received) {
		return at
	}
	return e.Received
}
