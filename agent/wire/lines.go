package wire

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"iter"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// Line is one line of an upload: a record, or why it is none.
type Line struct {
	// Number counts lines from 1.
	Number int
	// Raw is the line as it came, without its end; of a line longer than MaxRecord the
	// beginning. The caller may keep it.
	Raw []byte
	// Record is meaningful when Problem is nil; otherwise it has the machine only, if that
	// could be read.
	Record drift.Record
	// Arrival is what an export says of it. Only an import and a hub use it.
	Arrival
	Problem *drift.Problem
	// Refusal is the refusal if the line is a refused record of an export, else nil. Only
	// an import uses it; Problem says that it is not a record.
	Refusal *Refusal
	// Compacted, if not 0, is how many arc counts an export leaves out, as this line
	// says. Only an import uses it.
	Compacted uint64
	// Err ends the upload, and the other fields are not set: reading failed, or the
	// header of a CSV file cannot be used (a *drift.Problem).
	Err error
}

// Format is a form of upload.
type Format int

// The formats that Sniff recognises.
const (
	FormatJSONLines Format = iota
	FormatJSON             // one object, over several lines
	FormatCSV
)

// Sniff returns the likely format of an upload. It only peeks.
func Sniff(r *bufio.Reader) Format {
	head, _ := r.Peek(r.Size()) // an error comes again at the next reading
	head = bytes.TrimSpace(bytes.TrimPrefix(head, byteOrderMark))
	switch {
	case len(head) > 0 && head[0] != '{' && head[0] != '[':
		return FormatCSV
	case bytes.IndexByte(head, '\n') >= 0 && jsontext.Value(head).IsValid():
		return FormatJSON
	default:
		return FormatJSONLines
	}
}

// Records reads an upload of any format.
func Records(r io.Reader) iter.Seq[Line] {
	b := bufio.NewReaderSize(r, MaxRecord+2)
	switch Sniff(b) {
	case FormatCSV:
		return CSV(b)
	case FormatJSON:
		return func(yield func(Line) bool) {
			raw, err := io.ReadAll(io.LimitReader(b, MaxRecord+1))
			if err != nil {
				yield(Line{Number: 1, Err: err})
				return
			}
			yield(new(reader).line(1, bytes.TrimPrefix(raw, byteOrderMark), false))
		}
	default:
		return JSONLines(b)
	}
}

// JSONLines reads one record per line; blank lines are skipped.
func JSONLines(r io.Reader) iter.Seq[Line] {
	return func(yield func(Line) bool) {
		var j reader
		for l := range split(r) {
			if l.err != nil {
				yield(Line{Number: l.number, Err: l.err})
				return
			}
			if !yield(j.line(l.number, slices.Clone(l.text), l.cut)) {
				return
			}
		}
	}
}

func (j *reader) line(number int, raw []byte, cut bool) Line {
	out := Line{Number: number, Raw: raw}
	if cut {
		out.Problem = tooLong()
		return out
	}
	var err error
	out.Record, out.Arrival, err = j.record(raw)
	if out.Problem = drift.ProblemOf(err); err != nil {
		out.Refusal, out.Compacted = refusalLine(raw), compactedLine(raw)
	}
	return out
}

var byteOrderMark = []byte("\uFEFF")

// textLine is one line of a file. Its text is valid until the next one.
type textLine struct {
	number int
	text   []byte
	cut    bool // the line was longer than MaxRecord and text is its beginning
	err    error
}

// split reads lines that end in LF, CRLF or the end of the file, and skips blank ones and
// a byte order mark. A line that is too long is cut, so it is not held in memory.
func split(r io.Reader) iter.Seq[textLine] {
	return func(yield func(textLine) bool) {
		b := bufio.NewReaderSize(r, MaxRecord+2)
		for number := 1; ; number++ {
			text, err := b.ReadSlice('\n')
			cut := errors.Is(err, bufio.ErrBufferFull)
			if cut {
				text = slices.Clone(text[:MaxRecord])
			}
			for errors.Is(err, bufio.ErrBufferFull) {
				_, err = b.ReadSlice('\n')
			}
			if err != nil && !errors.Is(err, io.EOF) {
				yield(textLine{number: number, err: err}) // half a line may look whole
				return
			}
			if number == 1 {
				text = bytes.TrimPrefix(text, byteOrderMark)
			}
			text = bytes.TrimRight(text, "\r\n")
			blank := !cut && len(bytes.TrimSpace(text)) == 0
			if !blank && !yield(textLine{number: number, text: text, cut: cut}) || err != nil {
				return
			}
		}
	}
}
