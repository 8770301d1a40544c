package cli

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift/phrase"
	"arcdrift/drift/plan"
)

func planCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Which machine comes to the bench on which day",
		Long: `Plans the bench of each depot for four weeks: no machine sooner than a week before
its act-by date, the most urgent first, none on a day on which the bench does not
work. What somebody decided stands. Bench days, closed days, machines in a day,
pairs held and lead time are settings (log setup).`,
		Example: "  arcdrift plan --week\n  arcdrift plan --depot north --format csv",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	week := cmd.Flags().Bool("week", false, "only the next seven days")
	depot := cmd.Flags().String("depot", "", "only the bench of this `DEPOT`")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		depots, err := env.location(cmd).Plan(cmd.Context())
		if err != nil {
			return err
		}
		if cmd.Flags().Changed("depot") {
			depots = slices.DeleteFunc(depots, func(d plan.Report) bool { return d.Depot != *depot })
		}
		if *week {
			end := plan.Today(env.Now()).AddDate(0, 0, 7).Format(time.DateOnly)
			for i := range depots {
				depots[i].Machines = slices.DeleteFunc(depots[i].Machines, func(r plan.Row) bool { return r.Day.Or("9") >= end })
			}
		}
		switch format.value {
		case formatJSON:
			return writeJSONLines(env.Stdout, depots)
		case formatCSV:
			return planCSV(env.Stdout, depots)
		}
		if len(depots) == 0 && cmd.Flags().Changed("depot") {
			_, err := fmt.Fprintf(env.Stdout, "No machine of depot %s needs the bench in the next four weeks.\n", *depot)
			return err
		}
		return planText(env.Stdout, depots)
	}
	return cmd
}

func planText(w io.Writer, depots []plan.Report) error {
	var out strings.Builder
	opens := false
	for i := range depots {
		d := &depots[i]
		fmt.Fprintf(&out, "%s, %s a day\n", plan.DepotName(d.Depot), phrase.Count(d.PerDay, "machine"))
		if len(d.Machines) == 0 {
			out.WriteString("No machine comes in these days.\n")
		} else {
			opens = true
			planTable(&out, d.Machines)
		}
		for _, text := range d.Pairs.Next {
			out.WriteString(text + "\n")
		}
		out.WriteString("\n")
	}
	switch {
	case len(depots) == 0:
		out.WriteString("No machine needs the bench in the next four weeks.\n")
	case opens:
		out.WriteString(strings.TrimPrefix(cautions(), "\n"))
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func planTable(out *strings.Builder, rows []plan.Row) {
	table(out, func(row func(...string)) {
		row("DAY", "MACHINE", "SITE", "LATE", "CHANCE IT FAILS BY THEN", "NEXT STEP")
		for i := range rows {
			r := &rows[i]
			day := "no place"
			if at, err := time.Parse(time.DateOnly, r.Day.Or("")); err == nil {
				day = phrase.Day(at)
			}
			if r.Decided {
				day += ", decided"
			}
			if r.Over {
				day += ", too many"
			}
			late, chance := none, none
			if r.Late > 0 {
				late = phrase.Count(r.Late, "day")
			}
			if p, known := r.Chance.Get(); known {
				chance = wholePercent(p)
			}
			row(day, r.Machine, cmp.Or(r.Site, none), late, chance, r.Next)
		}
	})
}

// planCSV writes the machines under the names of their JSON form.
func planCSV(w io.Writer, depots []plan.Report) error {
	lines := [][]string{{"depot", "day", "machine", "site", "action", "act_by", "late_days", "chance_fails", "decided", "over", "next_step"}}
	for i := range depots {
		for j := range depots[i].Machines {
			r := &depots[i].Machines[j]
			lines = append(lines, []string{r.Depot, r.Day.Or(""), r.Machine, r.Site, string(r.Action), r.ActBy.Or(""), fmt.Sprint(r.Late), optCell(r.Chance), fmt.Sprint(r.Decided), fmt.Sprint(r.Over), r.Next})
		}
	}
	out := wire.NewSheet(w)
	return errors.Join(out.WriteAll(lines), out.Error())
}
