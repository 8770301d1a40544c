package cli

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

func sparesCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "spares",
		Short: "How many electrode pairs each depot should hold",
		Long: `Adds up each machine's own chance of needing a pair within the lead time and
says how many pairs a depot should hold so that they suffice in 19 of 20 lead
times, and in 99 of 100. Depot, lead time and pairs held are settings (log setup);
a lead time that no setup says is a month.`,
		Example: "  arcdrift spares\n  arcdrift log setup --scope fleet --lead-time-days 45",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		rows, err := env.location(cmd).Spares(cmd.Context())
		if err != nil {
			return err
		}
		switch format.value {
		case formatJSON:
			return writeJSONLines(env.Stdout, rows)
		case formatCSV:
			return sparesCSV(env.Stdout, rows)
		}
		return sparesText(env.Stdout, rows)
	}
	return cmd
}

func sparesText(w io.Writer, rows []advise.Spares) error {
	if len(rows) == 0 {
		_, err := io.WriteString(w, "No machine is known yet; import or log records first.\n")
		return err
	}
	var out strings.Builder
	table(&out, func(row func(...string)) {
		row("DEPOT", "MACHINES", "LIKELY NEED", "HOLD FOR 95 %", "HOLD FOR 99 %", "HELD", "SHORT BY", "LEAD TIME")
		for i := range rows {
			r := &rows[i]
			row(depotName(r.Depot), phrase.Integer(r.Machines), phrase.Fixed(r.Expected, 1), phrase.Integer(r.Hold95), phrase.Integer(r.Hold99), countText(r.Held), shortBy(r), r.Lead())
		}
	})
	for i := range rows {
		if n := rows[i].Unknown; n > 0 {
			fmt.Fprintf(&out, "%s: %s without a forecast or a pace, not counted in.\n", depotName(rows[i].Depot), phrase.Count(n, "machine"))
		}
	}
	out.WriteString("Pairs over the lead time; short by: against 95 %. Cleaning in time makes the need smaller.\n")
	_, err := io.WriteString(w, out.String())
	return err
}

func depotName(depot string) string {
	if depot == "" {
		return "(no depot)"
	}
	return depot
}

// shortBy is how many pairs are missing for 95 %.
func shortBy(r *advise.Spares) string {
	held, known := r.Held.Get()
	if !known {
		return phrase.Unknown
	}
	return phrase.Integer(max(int64(r.Hold95)-held, 0))
}

// sparesCSV writes the rows under the names of their JSON form.
func sparesCSV(w io.Writer, rows []advise.Spares) error {
	lines := [][]string{{"depot", "machines", "unknown", "expected", "hold_95", "hold_99", "held", "lead_time_days", "lead_time_assumed"}}
	for i := range rows {
		r := &rows[i]
		lines = append(lines, []string{r.Depot, fmt.Sprint(r.Machines), fmt.Sprint(r.Unknown), fmt.Sprint(math.Round(r.Expected*1000) / 1000),
			fmt.Sprint(r.Hold95), fmt.Sprint(r.Hold99), optCell(r.Held), fmt.Sprint(r.LeadDays), fmt.Sprint(r.LeadAssumed)})
	}
	out := wire.NewSheet(w)
	return errors.Join(out.WriteAll(lines), out.Error())
}
