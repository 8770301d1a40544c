package drift

import "time"

// Counter is the last known arc count of the pair that is fitted in a machine,
// and when it was read. After a replacement the count is unknown until the next
// reading.
type Counter struct {
	Arcs Opt[int64]
	At   time.Time
}

// Next is the counter after one more entry. An entry from before the last
// reading, such as a late upload, changes nothing.
func (c Counter) Next(e *Entry) Counter {
	at := e.readAt()
	switch {
	case at.Before(c.At):
		return c
	case e.replaced():
		return Counter{At: at}
	case e.ArcCount.Known():
		return Counter{Arcs: e.ArcCount, At: at}
	}
	return c
}

// Rises says whether the record's count is above the last one known.
func (c Counter) Rises(r *Record) bool {
	count, given := r.ArcCount.Get()
	return given && count > c.Arcs.Or(-1)
}

// Falls returns the last count known and whether the entry's count is below it,
// without a replacement that would explain it.
func (c Counter) Falls(e *Entry) (last int64, falls bool) {
	last, known := c.Arcs.Get()
	count, given := e.ArcCount.Get()
	return last, known && given && count < last && !e.replaced() && !e.readAt().Before(c.At)
}

// replaced says whether the record reports a new pair.
func (r *Record) replaced() bool { return r.Service != nil && r.Service.Action == Replaced }

// readAt is when the entry's counter was read: at the latest when the entry
// arrived, so that a clock that runs ahead does not outdate the readings after it.
// It is from 1970 on: stores keep it in nanoseconds, by which a year mistyped as 1026
// would come back as 2195.
func (e *Entry) readAt() time.Time {
	at := e.When()
	switch {
	case !at.Before(e.Received):
		return e.Received
	case at.Before(time.Unix(0, 0)):
		return time.Unix(0, 0).UTC()
	}
	return at
}
