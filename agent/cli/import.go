package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/intake"
	"arcdrift/agent/reach"
	"arcdrift/agent/sheet"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// importGroup is how many records are offered together and share a commit.
const importGroup = 4096

// progressEvery is how often a person is shown how far it has got.
const progressEvery = 200 * time.Millisecond

func importCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "import FILE…",
		Short: "Take records from JSON lines, CSV files or a spreadsheet",
		Long: `Takes records from files of JSON lines or CSV; - is standard input. A record
that is there already is not taken twice, so importing again is harmless. The
records of an export keep their times of arrival, so that it stays clear what was
known when; others arrive now. A refused record is named with its line and the
reason, and is kept in the refused list.

With --map, the files are tables from a spreadsheet (.xlsx or CSV), and the mapping
file says which column is which field and how dates and numbers are written; see
arcdrift help import. --dry-run names what would be refused and writes nothing.`,
		Example: "  arcdrift import results.jsonl bench.csv\n  cat results.csv | arcdrift import -\n  arcdrift import --map bench.json --dry-run 'Bench log.csv'",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	mapping := cmd.Flags().String("map", "", "read the files as tables, by the mapping in this `FILE`")
	dry := cmd.Flags().Bool("dry-run", false, "only say what would be taken and refused")
	cmd.RunE = func(cmd *cobra.Command, files []string) error {
		i := importer{env: env, format: format.value, dry: *dry}
		if err := i.readMapping(*mapping); err != nil {
			return err
		}
		if i.dry {
			return i.report(i.files(cmd.Context(), files))
		}
		at, err := env.location(cmd).Open(cmd.Context(), true)
		if err != nil {
			return err
		}
		i.place = at
		return errors.Join(i.report(i.files(cmd.Context(), files)), at.Close())
	}
	return cmd
}

// importer takes files in turn and counts.
type importer struct {
	env    Env
	place  reach.Place
	format string
	// mapping reads tables; nil for files of records. dry writes nothing.
	mapping *sheet.Mapping
	dry     bool

	// rows are those of the tables, repeats how many of them repeat an earlier one word
	// for word, on line repeated the first.
	rows              map[string]bool
	repeats, repeated int

	submissions []intake.Submission
	shown       time.Time
	counts      imported
}

// imported is the summary of an import, and its JSON form.
type imported struct {
	Records    int `json:"records"`
	Taken      int `json:"taken"`
	Duplicates int `json:"duplicates"`
	Conflicts  int `json:"conflicts"`
	Refused    int `json:"refused"`
	// RefusedBefore were refused where the export comes from, and are listed.
	RefusedBefore int `json:"refused_before,omitempty"`
}

func (i *importer) files(ctx context.Context, files []string) error {
	for _, file := range files {
		if err := i.file(ctx, file); err != nil {
			return err
		}
	}
	return nil
}

// file takes one file.
func (i *importer) file(ctx context.Context, name string) error {
	in, shown := i.env.Stdin, "standard input"
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("the file cannot be read: %w", err)
		}
		defer func() { _ = f.Close() }() // it was only read
		in, shown = f, name
	}
	lines, err := i.lines(in, shown)
	if err != nil {
		return err
	}
	for line := range lines {
		if line.Err != nil {
			return errors.Join(i.flush(context.WithoutCancel(ctx), shown), fmt.Errorf("%s, line %d: %w; the lines before it were taken", shown, line.Number, line.Err))
		}
		if line.Compacted > 0 {
			i.clear()
			fmt.Fprintf(i.env.Stderr, "%s leaves out %s that had been compacted\n", shown, phrase.Count(line.Compacted, "old arc count"))
			continue
		}
		i.submissions = append(i.submissions, i.submission(&line))
		if len(i.submissions) < importGroup {
			continue
		}
		if err := i.flush(ctx, shown); err != nil {
			return err
		}
	}
	return i.flush(ctx, shown)
}

// submissionOf is a line as it is offered. What was refused where the export comes
// from is kept as refused there, not refused again.
func submissionOf(line *wire.Line) intake.Submission {
	o := intake.Submission{Raw: line.Raw, Record: line.Record, Problem: line.Problem, Line: line.Number, Via: "import",
		Received: line.Received, PossibleRepeat: line.PossibleRepeat, Account: line.Account}
	if line.Refusal != nil {
		refusal := drift.Refusal(*line.Refusal)
		o.Machine, o.Problem, o.Refusal = refusal.Machine, nil, &refusal
	}
	return o
}

// flush hands in what was read and names what was not taken.
func (i *importer) flush(ctx context.Context, file string) error {
	receipts, err := i.take(ctx)
	if err != nil {
		return fmt.Errorf("%s: records could not be taken; import it again, what was taken is not taken twice: %w", file, err)
	}
	submissions := i.submissions
	i.submissions = i.submissions[:0]
	for n, r := range receipts {
		if refusal := submissions[n].Refusal; refusal != nil && i.mapping == nil {
			i.counts.RefusedBefore++
			continue
		} else if refusal != nil {
			r.Line, r.Refused = refusal.Line, &refusal.Problem
		}
		i.count(&r)
		if err := i.name(file, &r); err != nil {
			return err
		}
	}
	i.progress()
	return nil
}

func (i *importer) count(r *intake.Receipt) {
	i.counts.Records++
	switch {
	case r.Refused != nil:
		i.counts.Refused++
	case r.Duplicate:
		i.counts.Duplicates++
	case r.Conflict:
		i.counts.Conflicts++
	default:
		i.counts.Taken++
	}
}

// name writes a record that was refused or looks odd: for people on Stderr, for
// programs a refused one on Stdout.
func (i *importer) name(file string, r *intake.Receipt) error {
	say := func(text string) {
		i.clear()
		fmt.Fprintf(i.env.Stderr, "%s, line %d: %s\n", file, r.Line, text)
	}
	switch {
	case r.Refused != nil && i.format == formatJSON:
		return writeJSON(i.env.Stdout, wire.Receipt(*r))
	case r.Refused != nil && i.dry:
		say("would be refused: " + r.Refused.Error())
	case r.Refused != nil:
		say("refused: " + r.Refused.Error())
	case r.Conflict:
		say("the id " + r.ID + " is there already with other contents; both are kept")
	}
	for _, q := range r.Questions {
		say("taken, but: " + q)
	}
	return nil
}

// progress shows a person how far it has got.
func (i *importer) progress() {
	if now := i.env.Now(); i.env.Terminal && now.Sub(i.shown) >= progressEvery {
		i.shown = now
		fmt.Fprintf(i.env.Stderr, "\r%s …", phrase.Count(i.counts.Records, "record"))
	}
}

// clear takes the progress line away before another message.
func (i *importer) clear() {
	if i.env.Terminal {
		fmt.Fprint(i.env.Stderr, "\r\x1b[K")
	}
}

// report sums up, also when it ended early.
func (i *importer) report(err error) error {
	i.clear()
	if i.repeats > 0 {
		fmt.Fprintf(i.env.Stderr, "Word for word like a row above: %s, the first on line %d. Each counts. If they are copies, remove them from the file.\n", phrase.Count(i.repeats, "row"), i.repeated)
	}
	c := i.counts
	if i.format == formatJSON {
		err = errors.Join(err, writeJSON(i.env.Stdout, c))
	} else {
		text := c.String()
		if i.dry {
			text = c.dry()
		}
		_, writeErr := io.WriteString(i.env.Stdout, text)
		err = errors.Join(err, writeErr)
	}
	if err == nil && c.Refused > 0 {
		return refusedError{c.Refused, c.Records}
	}
	return err
}

// String is the summary for people.
func (c imported) String() string {
	before := ""
	if c.RefusedBefore > 0 {
		before = fmt.Sprintf("; %s from before listed", phrase.Count(c.RefusedBefore, "refusal"))
	}
	return fmt.Sprintf("%s: %s taken, %s there already, %s with the id of another, %s refused%s\n",
		phrase.Count(c.Records, "record"), phrase.Integer(c.Taken), phrase.Integer(c.Duplicates), phrase.Integer(c.Conflicts), phrase.Integer(c.Refused), before)
}
