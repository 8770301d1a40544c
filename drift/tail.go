package drift

import "time"

// Tail is where one machine's ordered entries end: by it a further one is known
// to come after them all, without ordering them again. The zero value is the
// tail of none. Its fields are its memory, so that it can be kept.
type Tail struct {
	// Last is the latest of all, nil before the first.
	Last *End
	// Streams are the last of every source that numbers its records.
	Streams map[string]End
}

// End is what later entries are compared with of one that was last.
type End struct {
	// At is when it is taken to have happened.
	At                   time.Time
	ID                   string
	Epoch, Seq           int64
	StoreEpoch, StoreSeq uint64
	// Steady, of a source's last, is whether one more record whose clock goes on
	// would leave the times of those before it as they are.
	Steady bool
	// Tried, of the last of all, is whether an attempt without a number was made at
	// that time: a further one may belong before it.
	Tried bool
}

func endOf(p placed) End {
	return End{
		At: p.at, ID: p.ID, Epoch: p.Epoch.Or(0), Seq: p.Seq.Or(0), StoreEpoch: p.StoreEpoch, StoreSeq: p.StoreSeq,
		Tried: p.Calibration != nil && !p.Seq.Known(),
	}
}

func (e *End) placed() placed {
	return placed{at: e.At, Entry: Entry{
		Record:     Record{ID: e.ID, Epoch: Some(e.Epoch), Seq: Some(e.Seq)},
		StoreEpoch: e.StoreEpoch, StoreSeq: e.StoreSeq,
	}}
}

// Take says whether the entry comes after all that were ordered and leaves them
// as they are; then it is the new end. When in doubt it says no.
func (t *Tail) Take(e *Entry) bool {
	p := placed{Entry: *e, at: e.When()}
	if t.Last != nil && (t.Last.placed().compare(p) >= 0 || t.Last.Tried && endOf(p).Tried && p.at.Equal(t.Last.At)) {
		return false
	}
	if e.Seq.Known() {
		before, ok := t.Streams[e.Source]
		if ok && (!before.Steady || before.placed().compareNumbers(p) >= 0) {
			return false
		}
		t.stream(e.Source, p, true)
	}
	t.reach(p)
	return true
}

// stream notes the last of a source.
func (t *Tail) stream(source string, last placed, steady bool) {
	if t.Streams == nil {
		t.Streams = map[string]End{}
	}
	end := endOf(last)
	end.Steady = steady
	t.Streams[source] = end
}

// reach notes p if it is the latest so far.
func (t *Tail) reach(p placed) {
	end := endOf(p)
	if t.Last == nil {
		t.Last = &end
		return
	}
	together := p.at.Equal(t.Last.At) && (t.Last.Tried || end.Tried)
	switch {
	case t.Last.placed().compare(p) < 0:
		end.Tried = end.Tried || together
		t.Last = &end
	case together:
		t.Last.Tried = true
	}
}
