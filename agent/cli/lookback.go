package cli

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

func lookBackCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "look-back",
		Short: "Which splices to doubt: of a job, of a machine and time, or what was found out lately",
		Long: `Says for each machine, day and job the chance that a splice was made outside
tolerance, how many likely were, how far off the arc was, and why. All records
before and after that day count, with the air, the setting in force and the scatter
of that time. Without --job and --machine it lists what was found out in the last 60
days: checks that failed, pairs found worn or dirty, checks left out, records corrected.

A decision about splices is a record: see arcdrift log decision --help.`,
		Example: "  arcdrift look-back --job 'east-ring'\n  arcdrift look-back --machine K-07 --from 2026-03-01T00:00:00Z --to 2026-03-08T00:00:00Z --format csv",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	machine := cmd.Flags().String("machine", "", "only the machine of this `ID`")
	job := cmd.Flags().String("job", "", "all splices of this `JOB`")
	var from, to moment
	cmd.Flags().Var(&from, "from", "splices made at or after this time; with --machine or --job")
	cmd.Flags().Var(&to, "to", "splices made before this time; with --machine or --job")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q := lookback.Question{Machine: *machine, Job: *job, From: from.Opt, To: to.Opt}
		if err := q.Check(); err != nil {
			return usagef("%s", err)
		}
		at, err := env.location(cmd).Open(cmd.Context(), false)
		if err != nil {
			return err
		}
		report, err := at.LookBack(cmd.Context(), q)
		if err == nil {
			err = writeLookBack(env.Stdout, &report, format.value)
		}
		return errors.Join(err, at.Close())
	}
	return cmd
}

func writeLookBack(w io.Writer, r *lookback.Report, format string) error {
	switch format {
	case formatJSON:
		return writeJSONLines(w, []lookback.Report{*r})
	case formatCSV:
		return lookBackCSV(w, r)
	}
	return lookBackText(w, r)
}

// mostShown is how many entries of a finding the text shows, the worst first.
const mostShown = 12

func lookBackText(w io.Writer, r *lookback.Report) error {
	var out strings.Builder
	if len(r.Jobs) > 0 {
		out.WriteString("By job, of the splices below:\n")
	}
	for i := range r.Jobs {
		fmt.Fprintln(&out, r.Jobs[i].Summary)
	}
	if len(r.Entries) == 0 {
		out.WriteString("No splices to doubt.\n")
	} else {
		out.WriteString("\n")
	}
	waiting := r.Waiting()
	for _, s := range waiting {
		if err := spanText(&out, r, s, true); err != nil {
			return err
		}
	}
	for i := range r.Spans {
		if s := &r.Spans[i]; !s.Open && s.All.Entries > 0 {
			if err := spanText(&out, r, s, s.Found == ""); err != nil {
				return err
			}
		}
	}
	for _, text := range r.Warnings {
		fmt.Fprintf(&out, "\n%s\n", text)
	}
	if len(r.Entries) > 0 {
		out.WriteString("\nWhat stands in brackets holds 8 times in 10. Splices of one day share the machine's state: they are not independent.\n")
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// dayText is a day of a look-back, in the machine's own zone, as people read it.
func dayText(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return phrase.Date(t)
}

// spanText tells one finding, with its entries if asked to: the worst first.
func spanText(w io.Writer, r *lookback.Report, s *lookback.Span, entries bool) error {
	what := "nothing to decide"
	if s.Open {
		what = phrase.Integer(s.Waiting.Entries) + " to decide"
	}
	fmt.Fprintf(w, "%s (%s)\n", s.Summary, what)
	if s.Found != "" {
		fmt.Fprintf(w, "  %s %s\n", s.Found, s.Good)
	}
	if s.Next != "" {
		fmt.Fprintf(w, "  %s\n", s.Next)
	}
	if !entries {
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  CHANCE OUT\tDAY\tJOB\tSPLICES\tLIKELY OUT\tDECISION\tWHY")
	shown, more := 0, 0
	for i := range r.Entries {
		e := &r.Entries[i]
		switch {
		case e.Span != s.Name:
			continue
		case shown == mostShown:
			more++
			continue
		}
		shown++
		about := ""
		if !e.Counted {
			about = "about "
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s%s\t%s (%s to %s)\t%s\t%s\n", wholePercent(e.Chance), dayText(e.Day), e.Job, about, phrase.Integer(e.Splices),
			phrase.Fixed(e.Out.Mean, 0), phrase.Integer(e.Out.Low), phrase.Integer(e.Out.High), decisionWord(e), e.Reason)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if more > 0 {
		fmt.Fprintf(w, "  %s more are less likely out: --format csv lists all.\n", phrase.Integer(more))
	}
	fmt.Fprintln(w)
	return nil
}

func decisionWord(e *lookback.Entry) string {
	switch {
	case e.Reopened != nil:
		return fmt.Sprintf("open again (was %s)", wholePercent(e.Reopened.Was))
	case e.Open:
		return "to decide"
	case e.Decision != nil:
		return string(e.Decision.Verdict)
	}
	return "none needed"
}

func lookBackCSV(w io.Writer, r *lookback.Report) error {
	out := wire.NewSheet(w)
	rows := [][]string{{"machine", "job", "day", "splices", "counted", "chance_out", "chance_out_before_loss", "out_mean", "out_p10", "out_p90", "deviation_pct", "deviation_sd_pct", "tolerance_pct", "way", "why", "loss_mean_db", "loss_worst_db", "losses", "decision", "decided_by", "decided_at", "open", "reason"}}
	number := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	for i := range r.Entries {
		e := &r.Entries[i]
		var why []string
		for _, one := range e.Why {
			why = append(why, string(one))
		}
		before, mean, worst, losses, decision, by, at := "", "", "", "", "", "", ""
		if x, known := e.Before.Get(); known {
			before = number(x)
		}
		if e.Loss != nil {
			mean, worst, losses = number(e.Loss.Mean), number(e.Loss.Worst), strconv.Itoa(e.Loss.Measured)
		}
		if d := e.Decision; d != nil {
			decision, by, at = string(d.Verdict), d.By, d.Time.Format(time.RFC3339)
		}
		rows = append(rows, []string{
			e.Machine, e.Job, e.Day, strconv.Itoa(e.Splices), strconv.FormatBool(e.Counted), number(e.Chance), before,
			number(e.Out.Mean), strconv.Itoa(e.Out.Low), strconv.Itoa(e.Out.High), number(e.Deviation), number(e.DeviationSD), number(e.Tolerance),
			string(e.Way), strings.Join(why, " "), mean, worst, losses, decision, by, at, strconv.FormatBool(e.Open), e.Reason,
		})
	}
	var err error
	for _, row := range rows {
		err = errors.Join(err, out.Write(row))
	}
	out.Flush()
	return errors.Join(err, out.Error())
}
