package drift

import (
	"slices"
	"time"
)

// Correct applies the corrections among one machine's ordered entries to the
// records they name and returns the entries as they now read, corrections left
// out. Corrections count in order, the last one wins field by field; one whose
// record is not there yet waits (it has no effect). The entries given are not
// changed.
func Correct(ordered []Entry) []Entry {
	byID := map[string][]*Correction{}
	ids := map[*Correction]string{}
	for i := range ordered {
		if c := ordered[i].Correction; c != nil {
			byID[c.Corrects] = append(byID[c.Corrects], c)
			ids[c] = ordered[i].ID
		}
	}
	out := make([]Entry, 0, len(ordered))
	timeChanged := false
	for _, e := range ordered {
		if e.Type == TypeCorrection {
			continue
		}
		corrections := byID[e.ID]
		if len(corrections) == 0 {
			out = append(out, e)
			continue
		}
		now := e
		now.Record = e.clone()
		now.CorrectedBy = nil
		for _, c := range corrections {
			if now.apply(c) {
				now.CorrectedBy = append(now.CorrectedBy, ids[c])
			}
		}
		if !now.Time.Equal(e.Time) {
			timeChanged, now.Placed = true, time.Time{} // somebody says when it was
		}
		out = append(out, now)
	}
	if timeChanged {
		Order(out)
	}
	return out
}

// Accepts says whether the correction makes sense for this record: every
// changed field belongs there and the result is still a valid record.
func (c *Correction) Accepts(r *Record) error {
	changed := r.clone()
	for _, change := range c.Changes {
		if err := change.check(); err != nil {
			return err
		}
		f, _ := FieldNamed(change.Field)
		if err := f.Set(&changed, change.Value); err != nil {
			return err
		}
	}
	return changed.Check()
}

// apply changes the entry's record and says whether it did: a correction that
// would leave an invalid record has no effect.
func (e *Entry) apply(c *Correction) bool {
	if c.Accepts(&e.Record) != nil {
		return false
	}
	for _, change := range c.Changes {
		f, _ := FieldNamed(change.Field)
		if f.Set(&e.Record, change.Value) != nil {
			return false
		}
	}
	return true
}

// clone copies the record and its body, so that the copy may be changed.
func (r *Record) clone() Record {
	out := *r
	out.Extra = slices.Clone(r.Extra)
	out.Calibration = copyOf(r.Calibration)
	out.Service = copyOf(r.Service)
	out.Splice = copyOf(r.Splice)
	out.Setup = copyOf(r.Setup)
	out.Correction = copyOf(r.Correction)
	out.Decision = copyOf(r.Decision)
	return out
}

func copyOf[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}
