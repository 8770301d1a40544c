package cli

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"iter"
	"os"
	"strings"

	"arcdrift/agent/intake"
	"arcdrift/agent/sheet"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// readMapping reads the mapping file, if there is one, and checks that it says all that
// is needed.
func (i *importer) readMapping(file string) error {
	if file == "" {
		return nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("the mapping cannot be read: %w", err)
	}
	if i.mapping, err = sheet.ParseMapping(text); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	if err := i.mapping.Prepare(); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	if open := i.mapping.Open(); len(open) > 0 {
		return fmt.Errorf("%s does not say %s; see arcdrift help import", file, strings.Join(open, ", "))
	}
	return nil
}

// lines reads a file as records, or as a table if there is a mapping.
func (i *importer) lines(in io.Reader, shown string) (iter.Seq[wire.Line], error) {
	if i.mapping == nil {
		first := bufio.NewReader(in)
		if start, _ := first.Peek(4); sheet.IsWorkbook(start) { // an error of reading comes again
			return nil, fmt.Errorf("%s is a workbook, which needs --map with a file that says which column is which field; see arcdrift help import", shown)
		}
		return wire.Records(first), nil
	}
	raw, err := io.ReadAll(io.LimitReader(in, sheet.MaxFile+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", shown, err)
	}
	table, err := sheet.Read(raw, i.mapping, 0)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", shown, err)
	}
	return i.mapping.Lines(table), nil
}

// submission is a line as it is offered. A row that cannot be read is handed in as
// refused: an agent that keeps it could not tell why.
func (i *importer) submission(line *wire.Line) intake.Submission {
	o := submissionOf(line)
	if i.mapping != nil && o.Problem == nil {
		i.look(line)
	}
	if i.mapping != nil && o.Problem != nil {
		now := i.env.Now()
		o.Refusal = &drift.Refusal{Machine: line.Record.Machine, Via: o.Via, Line: line.Number, Problem: *o.Problem, Raw: o.Raw, Size: len(o.Raw), Time: now, Last: now, Times: 1}
		o.Machine, o.Problem = line.Record.Machine, nil
	}
	return o
}

// look counts rows that may be copies: a row of a table is a record of its own, as two
// attempts may look the same.
func (i *importer) look(line *wire.Line) {
	if i.rows == nil {
		i.rows = map[string]bool{}
	}
	row := string(line.Raw)
	if i.rows[row] {
		if i.repeats++; i.repeats == 1 {
			i.repeated = line.Number
		}
	}
	i.rows[row] = true
}

// take hands in what was read; a dry run only says what is valid.
func (i *importer) take(ctx context.Context) ([]intake.Receipt, error) {
	if !i.dry {
		return i.place.Take(ctx, i.submissions)
	}
	receipts := make([]intake.Receipt, len(i.submissions))
	for n := range i.submissions {
		receipts[n] = intake.Receipt{Line: i.submissions[n].Line, Refused: i.submissions[n].Problem}
	}
	return receipts, nil
}

// dry is the summary of a dry run.
func (c imported) dry() string {
	return fmt.Sprintf("%s: %s would be taken, unless they are there already, %s refused. Nothing was written.\n",
		phrase.Count(c.Records, "record"), phrase.Integer(c.Taken), phrase.Integer(c.Refused))
}
