package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"arcdrift/drift/blind"
)

// world is a kind of fleet by its name.
type world struct {
	name string
	make blind.World
}

func rootCommand(e *env, began *bool) *cobra.Command {
	root := &cobra.Command{
		Use:   "driftlab",
		Short: "Tests the model on invented fleets, whose truth is known",
		Long: `driftlab invents fleets, takes in their records as an agent does, replays them
without looking ahead, and compares what the agent would have answered with the truth: arcs to
failure, required power, site checks and service calls. Skill is 0 for the forecast by
fleet lifetimes and 1 for the oracle, which knows the state of every machine and all
laws, but not chance.

Exit code: 0 if done; 1 if --check finds a bar that is not met, or on an error; 2 if
the command line is wrong.`,
		SilenceErrors: true, SilenceUsage: true,
		PersistentPreRun: func(*cobra.Command, []string) { *began = true },
	}
	root.AddCommand(blindCommand(e), messCommand(e), typingCommand(e), synthCommand(e), lookBackCommand(e), whatIfCommand(e), hardCommand(e), dirtCommand(e), powerCommand(e))
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	return root
}

// plan says which fleets to judge.
type plan struct {
	fleets, machines, days, step, programs, jobs int
	seed                                         uint64
	everyDays                                    float64
	worlds                                       []string
	grade, typing, format                        string
	check                                        bool
}

// flags adds those that all commands have. Values that p has already are their
// defaults.
func (p *plan) flags(cmd *cobra.Command, known []world) {
	f := cmd.Flags()
	f.IntVar(&p.fleets, "fleets", cmp.Or(p.fleets, 20), "`NUMBER` of fleets")
	f.IntVar(&p.machines, "machines", cmp.Or(p.machines, 40), "`NUMBER` of machines in each")
	f.IntVar(&p.days, "days", cmp.Or(p.days, 240), "`NUMBER` of days of each; the first 60 are for learning")
	f.IntVar(&p.step, "step", cmp.Or(p.step, 30), "`DAYS` between two moments of learning and forecasting")
	f.Uint64Var(&p.seed, "seed", 1, "seed `NUMBER` of the first fleet; the others count up")
	f.StringSliceVar(&p.worlds, "worlds", namesOf(known), "`NAMES` of the worlds that invent the fleets, in turn")
	f.IntVar(&p.jobs, "jobs", runtime.GOMAXPROCS(0), "`NUMBER` of processors to use; the figures do not depend on it")
	f.StringVar(&p.format, "format", "text", "form of the answer: text, or csv with every fleet")
	f.BoolVar(&p.check, "check", false, "end with 1 if a bar is not met")
}

// wishes adds those of fleets that can be made to measure.
func (p *plan) wishes(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&p.grade, "grade", "", "what every machine reports: full, correction or pass-fail; else drawn for each")
	f.IntVar(&p.programs, "programs", 0, "`NUMBER` of programs each machine changes between; 0: drawn")
	f.Float64Var(&p.everyDays, "every-days", 0, "mean `DAYS` between two sessions; 0: drawn")
}

func namesOf(all []world) []string {
	var names []string
	for _, w := range all {
		names = append(names, w.name)
	}
	return names
}

// typings are the values of --typing.
var typings = map[string]blind.Typing{"drawn": blind.AsDrawn, "each": blind.EachAttempt, "whole": blind.WholeSession}

// trials are the fleets of the plan.
func (p *plan) trials(known []world) ([]trial, error) {
	var worlds []world
	for _, name := range p.worlds {
		i := slices.IndexFunc(known, func(w world) bool { return w.name == name })
		if i < 0 {
			return nil, usagef("worlds is %q: it must be some of %s", name, strings.Join(namesOf(known), ", "))
		}
		worlds = append(worlds, known[i])
	}
	typing, ok := typings[p.typing]
	switch {
	case !ok:
		return nil, usagef("typing is %q: it must be drawn, each or whole", p.typing)
	case p.grade != "" && !slices.Contains(grades()[1:], p.grade):
		return nil, usagef("grade is %q: it must be %s", p.grade, strings.Join(grades()[1:], ", "))
	case p.format != "text" && p.format != "csv":
		return nil, usagef("format is %q: it must be text or csv", p.format)
	case p.fleets < 1 || p.machines < 1 || p.days < 1 || p.step < 1 || p.jobs < 1:
		return nil, usagef("fleets, machines, days, step and jobs must be 1 at least")
	case p.programs < 0 || p.everyDays < 0:
		return nil, usagef("programs and every-days must not be below 0")
	case len(worlds) == 0:
		return nil, usagef("worlds names no world")
	}
	out := make([]trial, p.fleets)
	for i := range out {
		seed := p.seed + uint64(i)
		out[i] = trial{worlds[i%len(worlds)], blind.Wish{
			Seed: seed, Machines: p.machines, Days: p.days, Start: startOf(seed),
			Grade: p.grade, Typing: typing, Programs: p.programs, EveryDays: p.everyDays,
		}, p.step}
	}
	return out, nil
}

// shown are the parts of the fleets that the tables show.
func (p *plan) shown() []string {
	if p.grade != "" {
		return []string{p.grade}
	}
	return grades()
}

// checkable says whether there is a bar to check for what is shown.
func (p *plan) checkable(bars []bar) error {
	if p.check && !slices.ContainsFunc(bars, func(b bar) bool { return slices.Contains(p.shown(), b.grade) }) {
		return usagef("no bar is set for such fleets: check has nothing to hold them against")
	}
	return nil
}

// startOf spreads the beginnings of fleets over the year, so that not all wear into
// the winter.
func startOf(seed uint64) time.Time {
	const year, step = 365, 97
	return time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(seed%year*step%year))
}

// judgement is what came of one fleet.
type judgement struct {
	parts   tallies
	lines   int
	refused []string
	about   []string
}

func judgementOf(parts tallies, got ...*played) *judgement {
	j := &judgement{parts: parts, about: got[0].About}
	for _, t := range got {
		j.lines += t.lines
		j.refused = append(j.refused, t.refused...)
	}
	return j
}

// judge judges the fleets, several at a time.
func (p *plan) judge(ctx context.Context, e *env, trials []trial, one func(context.Context, *trial) (*judgement, error)) (*verdict, error) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(p.jobs)) // of the replays too
	all := make([]*judgement, len(trials))
	var done atomic.Int64
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(p.jobs)
	for i := range trials {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			var err error
			if all[i], err = one(ctx, &trials[i]); err != nil {
				return fmt.Errorf("%s: %w", trials[i].name(), err)
			}
			e.progress(int(done.Add(1)), len(trials))
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	v := &verdict{trials: trials, grades: p.shown()}
	for _, j := range all {
		v.fleets = append(v.fleets, j.parts)
		v.lines += j.lines
		v.refused = append(v.refused, j.refused...)
	}
	if len(all) == 1 {
		v.about = all[0].about
	}
	return v, nil
}

// progress shows how many fleets are done, on a terminal.
func (e *env) progress(done, of int) {
	if !e.terminal {
		return
	}
	end := " …"
	if done == of {
		end = "\r\x1b[K"
	}
	fmt.Fprintf(e.stderr, "\r%d of %d fleets%s", done, of, end)
}

// write writes the verdict and says which bars are not met.
func (p *plan) write(e *env, v *verdict, more ...func(io.Writer) error) error {
	if p.format == "csv" {
		if err := v.csv(e.stdout); err != nil {
			return err
		}
	} else {
		for _, part := range append([]func(io.Writer) error{v.text}, more...) {
			if err := part(e.stdout); err != nil {
				return err
			}
		}
	}
	if !p.check {
		return nil
	}
	if missed := v.missed(); len(missed) > 0 {
		return fmt.Errorf("bars that are not met: %d\n  %s", len(missed), strings.Join(missed, "\n  "))
	}
	return nil
}
