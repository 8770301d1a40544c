package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/reach"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// siteFlags are the flags of the question and the fields they fill.
var siteFlags = []struct{ flag, field, usage string }{
	{"machine", "machine", "`ID` of the splicing machine"},
	{"program", "program", "`NAME` of the program to be used there; the one in use if left out"},
	{"temperature", "temperature_c", "the air's temperature in degrees `CELSIUS`"},
	{"humidity", "humidity_pct", "the air's relative humidity in `PERCENT`"},
	{"altitude", "altitude_m", "`METRES` above sea level"},
	{"pressure", "pressure_hpa", "air pressure on the spot, not reduced to sea level, in `HECTOPASCALS`; wins over the altitude"},
	{"machine-temperature", "machine_temperature_c", "the machine's own temperature in degrees `CELSIUS`"},
	{"machine-cold", "machine_cold", "whether the machine is still colder than the air, `true|false`, where its temperature is not known"},
	{"as-of", "as_of", "the `TIME` that is asked about, like 2026-03-02T18:00:00+01:00; now if left out"},
}

func siteCheckCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "site-check",
		Short: "We moved: do we calibrate again?",
		Long: `Answers recalibrate, wait (and for how long), no need, or cannot tell, with the
chance that the next arc would be out of tolerance in the new air. --batch reads
many questions, one JSON object per line, and answers each in its place.

After electrode work, on first use and where another check is due (see assess) the
answer is to recalibrate, whatever the air. A machine whose own temperature is not
given is taken to be as cold as the air of its last calibration until it can have
warmed.`,
		Example: "  arcdrift site-check --machine K-07 --temperature 4 --humidity 85 --altitude 2400\n  arcdrift site-check --batch questions.jsonl",
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	for _, f := range siteFlags {
		flags.String(f.flag, "", f.usage)
	}
	batch := flags.String("batch", "", "`FILE` of questions, one JSON object per line; - is standard input")
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if *batch != "" {
			return siteBatch(cmd, env, *batch)
		}
		q, err := siteQuestion(cmd)
		if err != nil {
			return err
		}
		at, err := env.location(cmd).Open(cmd.Context(), false)
		if err != nil {
			return err
		}
		a, err := at.Move(cmd.Context(), q)
		if err == nil {
			err = writeMove(env.Stdout, &a, format.value)
		}
		return errors.Join(err, at.Close())
	}
	return cmd
}

func writeMove(w io.Writer, a *advise.MoveAnswer, format string) error {
	switch format {
	case formatJSON:
		return writeJSON(w, a)
	case formatCSV:
		return siteCSV(w, a)
	default:
		return siteText(w, a)
	}
}

// siteQuestion reads the question from the flags.
func siteQuestion(cmd *cobra.Command) (advise.Move, error) {
	form := url.Values{}
	for _, f := range siteFlags {
		if flag := cmd.Flag(f.flag); flag.Changed {
			form.Set(f.field, flag.Value.String())
		}
	}
	for _, need := range []string{"machine", "temperature", "humidity", "altitude"} {
		if !cmd.Flag(need).Changed && (need != "altitude" || !cmd.Flag("pressure").Changed) {
			return advise.Move{}, usagef("--%s is needed, or --batch with a file of questions", need)
		}
	}
	q, err := wire.MoveValues(form)
	if err != nil {
		return advise.Move{}, usageError{err}
	}
	return q, nil
}

// siteBatch answers every line of the file in its place.
func siteBatch(cmd *cobra.Command, env Env, name string) error {
	for _, f := range siteFlags {
		if cmd.Flag(f.flag).Changed {
			return usagef("--batch takes its questions from the file: leave out --%s", f.flag)
		}
	}
	in := env.Stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("the questions cannot be read: %w", err)
		}
		defer func() { _ = f.Close() }() // it was only read
		in = f
	}
	at, err := env.location(cmd).Open(cmd.Context(), false)
	if err != nil {
		return err
	}
	return errors.Join(answerLines(cmd.Context(), env.Stdout, at, in), at.Close())
}

// answerLines writes one line for each question: the answer or what is wrong.
func answerLines(ctx context.Context, w io.Writer, at reach.Place, in io.Reader) error {
	asked, bad := 0, 0
	for line := range wire.MoveLines(in) {
		if line.Err != nil {
			return fmt.Errorf("line %d: %w", line.Number, line.Err)
		}
		asked++
		answer, err := any(wire.Receipt{Line: line.Number, Refused: line.Problem}), error(nil)
		if line.Problem == nil {
			answer, err = at.Move(ctx, line.Move)
		}
		var problem *drift.Problem
		switch {
		case errors.As(err, &problem):
			answer = wire.Receipt{Line: line.Number, Refused: problem}
		case err != nil:
			return fmt.Errorf("line %d: %w", line.Number, err)
		}
		if _, refused := answer.(wire.Receipt); refused {
			bad++
		}
		if err := writeJSON(w, answer); err != nil {
			return err
		}
	}
	if bad > 0 {
		return refusedError{bad, asked}
	}
	return nil
}

// siteText is the answer for a crew.
func siteText(w io.Writer, a *advise.MoveAnswer) error {
	var out strings.Builder
	fmt.Fprintf(&out, "%s: %s.\n", a.Machine, a.Word())
	for _, r := range a.Reasons {
		fmt.Fprintf(&out, "  %s\n", r)
	}
	if shift, ok := a.ExpectedShift.Get(); ok {
		fmt.Fprintf(&out, "  The air changes the required power by %s, 8 times in 10.\n", withDoubt(drift.Some(shift), a.SD))
	}
	if dew, ok := a.DewPoint.Get(); ok {
		fmt.Fprintf(&out, "  Dew point %s.\n", phrase.Quantity(dew, "°C"))
	}
	if a.RequiresOpening() {
		out.WriteString(cautions())
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// siteCSV is the answer as a header and one row.
func siteCSV(w io.Writer, a *advise.MoveAnswer) error {
	c := wire.NewSheet(w)
	err := errors.Join(
		c.Write([]string{"machine", "as_of", "answer", "wait_minutes", "probability_out", "expected_shift_pct", "sd_pct", "evidence", "reason", "dew_point_c", "check_minutes", "out_minutes", "action", "check_due"}),
		c.Write([]string{a.Machine, a.AsOf.Format(timeCell), string(a.Answer), optCell(a.WaitMinutes), optCell(a.ProbabilityOut), optCell(a.ExpectedShift),
			optCell(a.SD), string(a.Evidence), strings.Join(a.Reasons, " "), optCell(a.DewPoint), fmt.Sprint(a.Cost.CheckMinutes), fmt.Sprint(a.Cost.OutMinutes), string(a.Action), dueCell(a.CheckDue)}))
	c.Flush()
	return errors.Join(err, c.Error())
}

// dueCell is a rule's name, or nothing.
func dueCell(r *advise.DueReason) string {
	if r == nil {
		return ""
	}
	return string(*r)
}
