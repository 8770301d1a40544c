package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// usualLead is the lead time of spare pairs in days where no setup says one: a
// month, a proposal.
const usualLead = 30

// sparesOf is what the depots of a fleet should hold.
func sparesOf(s *fleet.Snapshot) []advise.Spares {
	var demand []advise.Demand
	for _, a := range s.Assessments() {
		settings := s.About(a.Machine).Settings
		d := advise.Demand{Machine: a.Machine, Depot: settings.Depot, Held: settings.SparePairs}
		if pace, ok := a.Electrode.ArcsPerDay.Get(); ok {
			d.Chance = a.Electrode.ChanceWithin(pace * settings.LeadTime.Or(usualLead))
		}
		demand = append(demand, d)
	}
	return advise.SparesByDepot(demand)
}

// sparePart says where a spare pair of a machine lies, as far as setups tell.
func sparePart(s *drift.Settings) string {
	held, known := s.SparePairs.Get()
	switch {
	case s.Depot == "":
		return ""
	case !known:
		return "ask " + s.Depot
	case held == 0:
		return "none at " + s.Depot
	}
	return fmt.Sprintf("%d at %s", held, s.Depot)
}

// stock remembers the spares of the latest snapshot: in a large fleet they take
// a while to work out.
type stock struct {
	mu      sync.Mutex
	version uint64
	rows    []advise.Spares
}

func (k *stock) of(s *fleet.Snapshot) []advise.Spares {
	k.mu.Lock()
	defer k.mu.Unlock()
	if s.Version != k.version {
		k.version, k.rows = s.Version, sparesOf(s)
	}
	return k.rows
}

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
		rows, err := readSpares(cmd.Context(), env, dbPath(cmd))
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

// readSpares asks the store, or the agent that holds it.
func readSpares(ctx context.Context, env Env, path string) ([]advise.Spares, error) {
	if err := mustBe(path); err != nil {
		return nil, err
	}
	s, err := store.Open(path, env.Now, store.Options{ReadOnly: true, Lock: shortly})
	if errors.Is(err, store.ErrHeld) {
		r, err := holder(ctx, env, path, err)
		if err != nil {
			return nil, err
		}
		var rows []advise.Spares
		err = r.get(ctx, "/api/v1/spares", nil, &rows)
		return rows, err
	}
	if err != nil {
		return nil, err
	}
	snapshot, err := fleet.At(newLegible(s, tellOn(env.Stderr)), env.Now())
	if err := errors.Join(err, s.Close()); err != nil {
		return nil, err
	}
	return sparesOf(snapshot), nil
}

func sparesText(w io.Writer, rows []advise.Spares) error {
	if len(rows) == 0 {
		_, err := io.WriteString(w, "No machine is known yet; import or log records first.\n")
		return err
	}
	var out strings.Builder
	table(&out, func(row func(...string)) {
		row("DEPOT", "MACHINES", "LIKELY NEED", "HOLD FOR 95 %", "HOLD FOR 99 %", "HELD", "SHORT BY")
		for i := range rows {
			r := &rows[i]
			row(depotName(r.Depot), fmt.Sprint(r.Machines), fmt.Sprintf("%.1f", r.Expected), fmt.Sprint(r.Hold95), fmt.Sprint(r.Hold99), countText(r.Held), shortBy(r))
		}
	})
	for i := range rows {
		if n := rows[i].Unknown; n > 0 {
			fmt.Fprintf(&out, "%s: %s without a forecast or a pace, not counted in.\n", depotName(rows[i].Depot), count(n, "machine"))
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
		return unknown
	}
	return fmt.Sprint(max(int64(r.Hold95)-held, 0))
}

// sparesCSV writes the rows under the names of their JSON form.
func sparesCSV(w io.Writer, rows []advise.Spares) error {
	lines := [][]string{{"depot", "machines", "unknown", "expected", "hold_95", "hold_99", "held"}}
	for i := range rows {
		r := &rows[i]
		lines = append(lines, []string{r.Depot, fmt.Sprint(r.Machines), fmt.Sprint(r.Unknown), fmt.Sprint(math.Round(r.Expected*1000) / 1000),
			fmt.Sprint(r.Hold95), fmt.Sprint(r.Hold99), optCell(r.Held)})
	}
	out := wire.NewSheet(w)
	return errors.Join(out.WriteAll(lines), out.Error())
}
