package cli

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

func assessCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "assess",
		Short: "The state of each machine, the one that needs somebody most first",
		Long: `Tells the state of each machine and why. --as-of counts only what had happened
by then; --known-at counts only what had arrived by then, so that one can see
what could have been known.

A check is due before the first splice of a day, after a considerable change of
air or place, and after electrodes were cleaned or replaced, until a calibration
passes. The change of air is known from a calibration that failed in it: 300 m or
10 °C from the last pass, or its trigger; the change of place from any record that
names another site. log setup --daily-check turns the check of the day off or
makes it rarer, nothing that after electrode work.`,
		Example: "  arcdrift assess\n  arcdrift assess --machine K-07 --as-of 2026-03-02T18:00:00Z --format json",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	machine := cmd.Flags().String("machine", "", "only the machine of this `ID`")
	var asOf, knownAt moment
	cmd.Flags().Var(&asOf, "as-of", "from records that happened at or before this time")
	cmd.Flags().Var(&knownAt, "known-at", "from records that had arrived at or before this time")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		at, err := env.location(cmd).Open(cmd.Context(), false)
		if err != nil {
			return err
		}
		all, err := at.Assess(cmd.Context(), *machine, asOf.Opt, knownAt.Opt)
		if err == nil {
			err = writeAssessed(&env, all, format.value, *machine != "")
		}
		return errors.Join(err, at.Close())
	}
	return cmd
}

// writeAssessed writes the answers; one machine's in full.
func writeAssessed(env *Env, all []advise.Assessment, format string, one bool) error {
	w := env.Stdout
	switch {
	case format == formatJSON:
		return writeJSONLines(w, all)
	case format == formatCSV:
		return assessCSV(w, all)
	case one:
		return assessOne(env, w, &all[0])
	default:
		return assessTable(env, w, all)
	}
}

// assessTable is one line per machine.
func assessTable(env *Env, w io.Writer, all []advise.Assessment) error {
	if len(all) == 0 {
		_, err := io.WriteString(w, "No machine is known yet; import or log records first.\n")
		return err
	}
	var out strings.Builder
	t := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "STATE\tMACHINE\tREQUIRED POWER\tARCS LEFT\tLAST RECORD\tWHY")
	care := false
	for i := range all {
		a := &all[i]
		care = care || a.RequiresOpening()
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", phrase.State(a.State), a.Machine, powerText(a), arcsText(a), lastText(env, a), first(a.Reasons))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	out.WriteString("\nRequired power: percent above nominal, at 20 °C, 1013 hPa and 11 g/m³ of water. Arcs left: likely. What stands behind ± or in brackets holds 8 times in 10.\n")
	if care {
		out.WriteString(cautions())
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// assessOne is one machine at length.
func assessOne(env *Env, w io.Writer, a *advise.Assessment) error {
	var out strings.Builder
	fmt.Fprintf(&out, "%s: %s (as of %s)\n", a.Machine, phrase.Code(a.State), phrase.Moment(env.local(a.AsOf)))
	for _, r := range a.Reasons {
		fmt.Fprintf(&out, "  %s\n", r)
	}
	t := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	row := func(name, text string) { fmt.Fprintf(t, "  %s\t%s\n", name, text) }
	fmt.Fprintln(t)
	row("Required power", powerText(a))
	row("Drift per 1000 arcs", withDoubt(a.Drift.Per1000Arcs, a.Drift.Per1000ArcsSD))
	row("Setting in force", percentText(a.Drift.Setting))
	row("Limit", sizeText(a.Drift.Limit))
	row("Scatter", sizeText(a.Drift.Scatter))
	row("Effect of the air", fmt.Sprintf("%s density, %s humidity", percentText(a.Air.Density), percentText(a.Air.Humidity)))
	row("Arcs on the pair", countText(a.Electrode.Arcs)+", since cleaned "+countText(a.Electrode.ArcsSinceCleaned))
	row("Arcs left", arcsText(a))
	row("To do", a.NextStep(a.AsOf))
	row("Check due", dueText(env, a.Due))
	row("Records", fmt.Sprintf("%s (%s), %s refused, last %s", phrase.Integer(a.Data.Records), phrase.Code(a.Data.Grade), phrase.Integer(a.Data.Refused), lastText(env, a)))
	if err := t.Flush(); err != nil {
		return err
	}
	for _, c := range a.Streak.Cause {
		fmt.Fprintf(&out, "  Failing because of %s: %s\n", advise.CauseWord(c.Cause), phrase.Chance(c.Probability))
	}
	for _, warning := range a.Warnings {
		fmt.Fprintf(&out, "  Note: %s\n", warning)
	}
	if a.RequiresOpening() {
		out.WriteString(cautions())
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func first(reasons []string) string {
	if len(reasons) == 0 {
		return none
	}
	return reasons[0]
}

func powerText(a *advise.Assessment) string { return withDoubt(a.Drift.RequiredPower, a.Drift.SD) }

// arcsText is the median with the range that holds eight times in ten.
func arcsText(a *advise.Assessment) string {
	q := a.Electrode.ToFailure
	if q == nil {
		return phrase.Unknown
	}
	horizon := float64(a.Electrode.HorizonArcs)
	text := func(v float64) string {
		if horizon > 0 && v >= horizon {
			return "over " + phrase.About(horizon)
		}
		return phrase.About(v)
	}
	if horizon > 0 && q.P10 >= horizon {
		return text(horizon)
	}
	return fmt.Sprintf("%s (%s to %s)", text(q.P50), text(q.P10), text(q.P90))
}

// dueText is the check that is due and whether the machine was used without it.
func dueText(env *Env, d *advise.Due) string {
	if d == nil {
		return "none"
	}
	text := fmt.Sprintf("%s, since %s", phrase.Code(d.Reason), phrase.Moment(env.local(d.Since)))
	if d.UsedSince {
		text += ", used since"
	}
	return text
}

func lastText(env *Env, a *advise.Assessment) string {
	last, ok := a.Data.Last.Get()
	if !ok {
		return phrase.Unknown
	}
	return phrase.Moment(env.local(last))
}

// assessCSV writes the numbers under the names of the JSON form, dotted.
func assessCSV(w io.Writer, all []advise.Assessment) error {
	c := wire.NewSheet(w)
	err := c.Write([]string{"machine", "model", "as_of", "state", "reason", "data.grade", "data.records", "data.last", "data.refused",
		"drift.required_power_pct", "drift.sd_pct", "drift.per_1000_arcs_pct", "drift.per_1000_arcs_sd_pct", "drift.setting_pct",
		"drift.limit_pct", "drift.scatter_pct", "streak.attempts", "streak.sessions", "electrode.arcs", "electrode.arcs_since_cleaned",
		"electrode.arcs_to_failure.p10", "electrode.arcs_to_failure.p50", "electrode.arcs_to_failure.p90", "electrode.action", "electrode.act_by", "due.reason", "due.since", "due.used_since"})
	for i := range all {
		if err == nil {
			err = c.Write(assessRow(&all[i]))
		}
	}
	c.Flush()
	return errors.Join(err, c.Error())
}

func assessRow(a *advise.Assessment) []string {
	row := []string{a.Machine, cell(a.Model), a.AsOf.Format(timeCell), string(a.State), strings.Join(a.Reasons, " "), string(a.Data.Grade), fmt.Sprint(a.Data.Records)}
	last := ""
	if t, ok := a.Data.Last.Get(); ok {
		last = t.Format(timeCell)
	}
	row = append(row, last, fmt.Sprint(a.Data.Refused))
	d := &a.Drift
	for _, v := range []drift.Opt[float64]{d.RequiredPower, d.SD, d.Per1000Arcs, d.Per1000ArcsSD, d.Setting, d.Limit, d.Scatter} {
		row = append(row, optCell(v))
	}
	e := &a.Electrode
	row = append(row, fmt.Sprint(a.Streak.Attempts), fmt.Sprint(a.Streak.Sessions), optCell(e.Arcs), optCell(e.ArcsSinceCleaned))
	if q := e.ToFailure; q != nil {
		row = append(row, fmt.Sprint(q.P10), fmt.Sprint(q.P50), fmt.Sprint(q.P90))
	} else {
		row = append(row, "", "", "")
	}
	row = append(row, string(e.Action), e.ActBy.Or(""))
	if d := a.Due; d != nil {
		return append(row, string(d.Reason), d.Since.Format(timeCell), fmt.Sprint(d.UsedSince))
	}
	return append(row, "", "", "")
}
