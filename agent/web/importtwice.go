package web

import (
	"fmt"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// twice is which rows of a table may come to count twice. None is refused for it: two
// attempts may well look the same.
type twice struct {
	// there are rows whose records the store has, other those of which it has a record of
	// the same machine, kind and time with other values, equal those that repeat a row above.
	there, other, equal    int
	firstOther, firstEqual int // lines
}

// act is what two reports of one thing have in common.
type act struct {
	machine string
	kind    drift.Type
	at      int64
}

// twiceOf looks for rows that the store or the table has already.
func (s *Server) twiceOf(one *upload) (twice, error) {
	var out twice
	ids, acts, rows, read := map[string]bool{}, map[act]bool{}, map[string]bool{}, map[string]bool{}
	for line := range one.mapping.Lines(one.table) {
		if line.Problem != nil {
			continue
		}
		r := &line.Record
		if !read[r.Machine] {
			read[r.Machine] = true
			history, err := s.Records.History(r.Machine)
			if err != nil {
				return out, fmt.Errorf("web: import: %w", err)
			}
			for i := range history {
				ids[history[i].ID] = true
				acts[act{r.Machine, history[i].Type, history[i].Time.UnixNano()}] = true
			}
		}
		row := string(line.Raw)
		switch {
		case ids[r.Identity()]:
			out.there++
		case acts[act{r.Machine, r.Type, r.Time.UnixNano()}]:
			if out.other++; out.other == 1 {
				out.firstOther = line.Number
			}
		case rows[row]:
			if out.equal++; out.equal == 1 {
				out.firstEqual = line.Number
			}
		}
		rows[row] = true
	}
	return out, nil
}

// words say it before anything is stored.
func (t *twice) words() (out []string) {
	if t.there > 0 {
		out = append(out, fmt.Sprintf("Not taken again, as the store has them: %s.", phrase.Count(t.there, "row")))
	}
	if t.other > 0 {
		out = append(out, fmt.Sprintf("With the machine and time of a stored record, but other values: %s, the first on line %d. Each would count beside that record. Was this table imported by another mapping? Then use that one.", phrase.Count(t.other, "row"), t.firstOther))
	}
	if t.equal > 0 {
		out = append(out, fmt.Sprintf("Word for word like a row above: %s, the first on line %d. Each would count. If they are copies, remove them from the file.", phrase.Count(t.equal, "row"), t.firstEqual))
	}
	return out
}
