package health

import (
	"encoding/binary"
	"errors"
)

// AppendRows appends the rows of one machine in a form that [RowsFrom] reads.
func AppendRows(b []byte, machine string, rows []Row) []byte {
	text := func(s string) {
		b = binary.AppendUvarint(b, uint64(len(s)))
		b = append(b, s...)
	}
	number := func(n uint64) { b = binary.AppendUvarint(b, n) }
	text(machine)
	number(uint64(len(rows)))
	var labels *Labels
	day := Day(0)
	for i := range rows {
		r := &rows[i]
		if r.Labels == labels {
			number(0)
		} else {
			number(1)
			labels = r.Labels
			for _, s := range []string{labels.Model, labels.Site, labels.Depot, labels.Cleaver, labels.Pair} {
				text(s)
			}
		}
		b = binary.AppendVarint(b, int64(r.Day-day))
		day = r.Day
		b = append(b, byte(r.State), r.Services, r.Moves)
		for _, n := range []uint16{r.Sessions, r.FirstTry, r.Tries, r.Failed} {
			number(uint64(n))
		}
		b = append(append(b, r.Owed[:]...), r.Kept[:]...)
	}
	return b
}

var errRows = errors.New("health: these are not the rows of a machine")

// RowsFrom reads what AppendRows has written.
func RowsFrom(b []byte) (machine string, rows []Row, err error) {
	r := reader{b: b}
	machine = r.text()
	n := r.number()
	if r.failed || n > uint64(len(b)) {
		return "", nil, errRows
	}
	rows = make([]Row, 0, n)
	var labels *Labels
	day := Day(0)
	for range n {
		if r.number() == 1 {
			labels = &Labels{Machine: machine, Model: r.text(), Site: r.text(), Depot: r.text(), Cleaver: r.text(), Pair: r.text()}
		}
		day += Day(r.signed())
		row := Row{Labels: labels, Day: day, State: State(r.octet()), Services: r.octet(), Moves: r.octet()}
		for _, to := range []*uint16{&row.Sessions, &row.FirstTry, &row.Tries, &row.Failed} {
			*to = uint16(r.number())
		}
		for _, to := range [][]uint8{row.Owed[:], row.Kept[:]} {
			for i := range to {
				to[i] = r.octet()
			}
		}
		if r.failed || labels == nil || row.State >= firstState+State(len(Counts{}.States)) {
			return "", nil, errRows
		}
		rows = append(rows, row)
	}
	return machine, rows, nil
}

// reader reads from the front of its bytes until something is missing.
type reader struct {
	b      []byte
	failed bool
}

func (r *reader) take(n int) {
	if n <= 0 {
		r.failed, n = true, len(r.b)
	}
	r.b = r.b[n:]
}

func (r *reader) number() uint64 {
	v, n := binary.Uvarint(r.b)
	r.take(n)
	return v
}

func (r *reader) signed() int64 {
	v, n := binary.Varint(r.b)
	r.take(n)
	return v
}

func (r *reader) octet() uint8 {
	if len(r.b) == 0 {
		r.failed = true
		return 0
	}
	v := r.b[0]
	r.take(1)
	return v
}

func (r *reader) text() string {
	n := r.number()
	if n > uint64(len(r.b)) {
		r.failed = true
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}
