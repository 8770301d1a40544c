package wire

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// AppendEntry appends the exported form of an entry: the record's canonical form and its
// envelope, as one JSON object without a line end. Reading it gives the same record and
// arrival.
func AppendEntry(b []byte, e *drift.Entry) []byte {
	b = e.AppendCanonical(b)
	b = b[:len(b)-1]
	b = append(b, `,"received":"`...)
	b = e.Received.AppendFormat(b, time.RFC3339Nano)
	b = append(b, `","via":`...)
	b = strconv.AppendQuote(b, e.Via) // the name of a source: plain ASCII
	b = append(b, `,"store_epoch":`...)
	b = strconv.AppendUint(b, e.StoreEpoch, 10)
	b = append(b, `,"store_seq":`...)
	b = strconv.AppendUint(b, e.StoreSeq, 10)
	if e.PossibleRepeat {
		b = append(b, `,"possible_repeat":true`...)
	}
	if e.Account != "" {
		b = append(b, `,"account":`...)
		b = strconv.AppendQuote(b, e.Account) // names of accounts: plain ASCII
	}
	return append(b, '}')
}

// CSVWriter writes entries as rows under a header of all fields: the record, extra and
// fields as JSON, the envelope. An apostrophe stops a spreadsheet from running text as a
// formula; reading removes it.
type CSVWriter struct {
	w      *csv.Writer
	fields []*drift.Field
	row    []string
}

// NewCSVWriter writes the header to w.
func NewCSVWriter(w io.Writer) (*CSVWriter, error) {
	c := &CSVWriter{w: csv.NewWriter(w), fields: drift.AllFields()}
	for _, f := range c.fields {
		c.row = append(c.row, f.Name)
	}
	c.row = append(c.row, "extra", "fields")
	for i := range envelope {
		c.row = append(c.row, envelope[i].Name)
	}
	if err := c.w.Write(c.row); err != nil {
		return nil, fmt.Errorf("writing the header: %w", err)
	}
	return c, nil
}

// Write adds one row, which is always one line.
func (c *CSVWriter) Write(e *drift.Entry) error {
	c.row = c.row[:0]
	for _, f := range c.fields {
		text := ""
		if v, known := f.Value(&e.Record); known {
			text = cellText(v)
		}
		c.row = append(c.row, text)
	}
	changes := ""
	if e.Correction != nil {
		changes = string(e.Correction.AppendFields(nil))
	}
	extra := jsontext.Value(slices.Clone(e.Extra))
	if len(extra) > 0 {
		if err := extra.Compact(); err != nil {
			return fmt.Errorf("extra of record %s: %w", e.ID, err)
		}
	}
	repeat := ""
	if e.PossibleRepeat {
		repeat = "true"
	}
	c.row = append(c.row, string(extra), changes, cellText(e.Received), escape(e.Via),
		strconv.FormatUint(e.StoreEpoch, 10), strconv.FormatUint(e.StoreSeq, 10), repeat, escape(e.Account))
	return c.w.Write(c.row)
}

// Flush writes what is buffered and returns the first error of all writes.
func (c *CSVWriter) Flush() error {
	c.w.Flush()
	return c.w.Error()
}

func cellText(v any) string {
	switch v := v.(type) {
	case string:
		return escape(v)
	case time.Time:
		return v.Format(time.RFC3339Nano)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	default:
		return fmt.Sprint(v)
	}
}
