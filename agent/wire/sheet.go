package wire

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"
)

// Sheet writes CSV that is safe to open in a spreadsheet: text that would be a formula, such
// as a label that somebody sent, gets an apostrophe.
type Sheet struct{ w *csv.Writer }

// NewSheet returns a sheet on w.
func NewSheet(w io.Writer) *Sheet { return &Sheet{csv.NewWriter(w)} }

// Write adds a row.
func (s *Sheet) Write(row []string) error {
	row = slices.Clone(row)
	for i, cell := range row {
		if _, err := strconv.ParseFloat(cell, 64); err != nil {
			row[i] = escape(cell)
		}
	}
	return s.w.Write(row)
}

// WriteAll adds all rows and flushes.
func (s *Sheet) WriteAll(rows [][]string) error {
	for _, row := range rows {
		if err := s.Write(row); err != nil {
			return err
		}
	}
	s.w.Flush()
	return s.w.Error()
}

// Flush writes what is buffered.
func (s *Sheet) Flush() { s.w.Flush() }

// Error is the first error of all writes.
func (s *Sheet) Error() error { return s.w.Error() }
