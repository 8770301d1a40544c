package cli

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// logExamples are the examples of each type.
var logExamples = map[drift.Type]string{
	drift.TypeCalibration: "  arcdrift log calibration --machine K-07 --passed true --attempts 2 --power-setting-pct 3.9 --arc-count 1840 --temperature-c 4 --humidity-pct 85 --altitude-m 1200",
	drift.TypeService:     "  arcdrift log service --machine K-07 --action cleaned --finding dirty --arc-count 1840",
	drift.TypeUsage:       "  arcdrift log usage --machine K-07 --arc-count 1903",
	drift.TypeSplice:      "  arcdrift log splice --machine K-07 --count 24 --job east-ring",
	drift.TypeSetup:       "  arcdrift log setup --scope machine --machine K-07 --warm-up-minutes 25 --depot north",
	drift.TypeCorrection:  "  arcdrift log correction --machine K-07 --corrects 4711 --reason 'read the wrong line' --fields arc_count=1804",
	drift.TypeDecision:    "  arcdrift log decision --machine K-07 --day 2026-03-02 --job east-ring --verdict accept --reason 'measured again, all below 0.05 dB'",
}

// logShorts say what each type is for.
var logShorts = map[drift.Type]string{
	drift.TypeCalibration: "A calibration: one attempt, or with --attempts all of a session",
	drift.TypeService:     "What was done to the electrodes",
	drift.TypeUsage:       "The arc count of a machine, between calibrations",
	drift.TypeSplice:      "How many splices were made",
	drift.TypeSetup:       "What is known of a machine, a model, a site or the fleet",
	drift.TypeCorrection:  "What was wrong in a record; the old values stay beside the new",
	drift.TypeDecision:    "What is to be done about splices that a look-back doubts",
}

func logCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "log TYPE",
		Short:   "Write down one record by hand",
		Long:    "Writes down one record, given by flags or, on a terminal and without flags, asked for field by field.",
		Example: logExamples[drift.TypeCalibration],
		RunE: func(*cobra.Command, []string) error {
			return usagef("say what to log: calibration, service, usage, splice, setup, correction or decision")
		},
	}
	for _, t := range drift.Types() {
		cmd.AddCommand(logTypeCommand(env, t))
	}
	return cmd
}

// logTypeCommand has a flag for every field of the type; a name may be written
// as in files, with underscores.
func logTypeCommand(env Env, t drift.Type) *cobra.Command {
	cmd := &cobra.Command{
		Use:     string(t),
		Short:   logShorts[t],
		Example: logExamples[t],
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.SetNormalizeFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		return pflag.NormalizedName(strings.ReplaceAll(name, "_", "-"))
	})
	for _, f := range fieldsToGive(t) {
		flags.Var(&typedIn{kind: f.Kind}, f.Name, describe(f))
	}
	flags.StringToString("extra", nil, "anything of your own, as `NAME=VALUE`")
	if t == drift.TypeCorrection {
		flags.StringToString("fields", nil, "the new values, each as `FIELD=VALUE`")
	}
	flags.VisitAll(func(f *pflag.Flag) { f.DefValue = "" }) // there is none to show
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		form, err := givenFields(cmd, t)
		if err != nil {
			return err
		}
		if len(form) == 0 {
			if !env.Terminal {
				return usagef("say what happened: there is a flag for every field, see arcdrift log %s --help", t)
			}
			if form, err = askFields(env, t); err != nil {
				return err
			}
		}
		return logRecord(cmd, env, t, form, format.value)
	}
	return cmd
}

// fieldsToGive are the fields of the type that a person may state.
func fieldsToGive(t drift.Type) []*drift.Field {
	return slices.DeleteFunc(drift.FieldsOf(t), func(f *drift.Field) bool { return f.Name == "type" })
}

// describe says what a field means and may be.
func describe(f *drift.Field) string {
	means := strings.ReplaceAll(f.Means, "`", "")
	switch {
	case f.Words != nil:
		return means + ": " + strings.Join(f.Words, ", ")
	case f.Kind == drift.Moment:
		return "when it happened, like 2026-03-02T07:45:00+01:00; now if left out"
	case f.Unit != "":
		return means + ", in " + f.Unit
	}
	return means
}

// typedIn is the flag of a field: what is typed, as it is.
type typedIn struct {
	text string
	kind drift.Kind
}

func (v *typedIn) String() string { return v.text }

// Set takes anything: its errors are reported for the record as a whole.
func (v *typedIn) Set(s string) error {
	v.text = s
	return nil
}

// Type is what the help calls the value.
func (v *typedIn) Type() string {
	switch v.kind {
	case drift.Text:
		return "TEXT"
	case drift.Flag:
		return "true|false"
	case drift.Moment:
		return "TIME"
	case drift.Days:
		return "true|false|DAYS"
	default:
		return "NUMBER"
	}
}

// givenFields are the flags given, as form values.
func givenFields(cmd *cobra.Command, t drift.Type) (url.Values, error) {
	form := url.Values{}
	for _, f := range fieldsToGive(t) {
		if flag := cmd.Flags().Lookup(f.Name); flag.Changed {
			form.Set(f.Name, flag.Value.String())
		}
	}
	for _, object := range []string{"extra", "fields"} {
		if cmd.Flags().Lookup(object) == nil {
			continue
		}
		members, err := cmd.Flags().GetStringToString(object)
		if err != nil {
			return nil, err
		}
		for name, value := range members {
			form.Set(object+"."+name, value)
		}
	}
	return form, nil
}

// askFields asks a person for the fields one by one; a wrong answer is asked
// again with the reason.
func askFields(env Env, t drift.Type) (url.Values, error) {
	form := url.Values{}
	in := bufio.NewScanner(env.Stdin)
	fmt.Fprintf(env.Stderr, "One %s. Press Enter for what is not known.\n", t)
	for _, f := range fieldsToGive(t) {
		switch f.Name {
		case "id", "source", "epoch", "seq", "session", "counts":
			continue // for machines, and for answers to questions
		}
		for {
			fmt.Fprintf(env.Stderr, "%s (%s): ", f.Name, describe(f))
			if !in.Scan() {
				fmt.Fprintln(env.Stderr)
				return nil, errors.Join(in.Err(), errors.New("nothing was logged"))
			}
			answer := strings.TrimSpace(in.Text())
			if answer == "" {
				break
			}
			form.Set(f.Name, answer)
			if reason := fault(form, t, f.Name); reason != "" {
				form.Del(f.Name)
				fmt.Fprintln(env.Stderr, reason)
				continue
			}
			break
		}
	}
	return form, nil
}

// fault says what is wrong with the value just given, if anything.
func fault(form url.Values, t drift.Type, field string) string {
	var p *drift.Problem
	if _, err := wire.Form(typed(form, t)); errors.As(err, &p) && p.Field == field {
		return p.Error()
	}
	return ""
}

// typed is the form with its type.
func typed(form url.Values, t drift.Type) url.Values {
	form.Set("type", string(t))
	return form
}

// logRecord hands in the record that the form describes.
func logRecord(cmd *cobra.Command, env Env, t drift.Type, form url.Values, format string) error {
	if form.Get("time") == "" {
		form.Set("time", env.Now().Format(time.RFC3339))
	}
	record, err := wire.Form(typed(form, t))
	if err != nil {
		return usageError{err} // the person is here to put it right; there is nothing to keep
	}
	at, err := env.location(cmd).Open(cmd.Context(), true)
	if err != nil {
		return err
	}
	receipts, err := at.Take(cmd.Context(), []intake.Submission{{Raw: record.AppendCanonical(nil), Record: record, Via: "log"}})
	if err == nil {
		err = writeReceipt(env, &receipts[0], format)
	}
	return errors.Join(err, at.Close())
}

// writeReceipt says what became of one record.
func writeReceipt(env Env, r *intake.Receipt, format string) error {
	if format == formatJSON {
		if err := writeJSON(env.Stdout, wire.Receipt(*r)); err != nil {
			return err
		}
	}
	var text string
	switch {
	case r.Refused != nil:
		fmt.Fprintln(env.Stderr, r.Refused.Error())
		return refusedError{1, 1}
	case r.Duplicate:
		text = "It was there already"
	case r.Conflict:
		text = "The id is there already with other contents; both are kept"
	default:
		text = "Logged"
	}
	for _, q := range r.Questions {
		fmt.Fprintln(env.Stderr, q)
	}
	if format == formatJSON {
		return nil
	}
	_, err := io.WriteString(env.Stdout, fmt.Sprintf("%s: record %d/%d, id %s\n", text, r.Epoch, r.Seq, r.ID))
	return err
}
