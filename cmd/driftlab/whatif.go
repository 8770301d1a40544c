package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
	"arcdrift/drift/whatif"
)

// replayed is what was said of one interval in one place, and what came of it when the
// same machines lived with that interval.
type replayed struct {
	row       whatif.Row
	true      float64 // splices out of tolerance of 1000
	trueExtra float64 // more than it was
}

// lived is how many splices were made in each place, and how many were out, by somebody
// who knows all but chance.
type lived map[whatif.Place]struct{ made, out float64 }

func livedOf(f *blind.Fleet) lived {
	out := lived{}
	for i := range f.Machines {
		own, ok := f.Machines[i].Life.(life)
		if !ok {
			continue
		}
		for j := range own.Work {
			w := &own.Work[j]
			place := whatif.Place{Model: f.Machines[i].Model, Site: w.Site}
			sum := out[place]
			sum.made += float64(len(w.Deviations))
			sum.out += w.Chance * float64(len(w.Deviations))
			out[place] = sum
		}
	}
	return out
}

func (l lived) per1000(place whatif.Place) float64 { return 1000 * l[place].out / l[place].made }

// replayIntervals asks one fleet's history about intervals, and lets the fleet live again
// with each of them.
func replayIntervals(ctx context.Context, w synth.World, wish blind.Wish, every []int) ([]replayed, error) {
	w.Splices = 1
	history := fleetOf(w, wish)
	b, err := take(ctx, history.Lines)
	if err != nil {
		return nil, err
	}
	end := wish.Start.AddDate(0, 0, wish.Days)
	report, err := fleet.WhatIf(ctx, b, whatif.Question{From: wish.Start, Every: every, Risk: whatif.DefaultRisk, Lead: whatif.DefaultLead}, end)
	if err != nil {
		return nil, err
	}
	came := map[int]lived{0: livedOf(history)}
	for _, n := range every {
		again := w
		again.CheckEvery = n
		came[n] = livedOf(fleetOf(again, wish))
	}
	enough := map[whatif.Place]bool{}
	for _, a := range report.Advice {
		enough[a.Place] = a.Enough
	}
	var out []replayed
	for _, row := range report.Intervals {
		if enough[row.Place] && came[row.Every][row.Place].made > 0 {
			truth := came[row.Every].per1000(row.Place)
			out = append(out, replayed{row, truth, truth - came[0].per1000(row.Place)})
		}
	}
	return out, nil
}

// held adds up how often stated intervals held.
type held struct {
	cases, out, extra                int
	said, came, saidExtra, cameExtra float64
}

func (h *held) add(r *replayed) {
	h.cases++
	if r.row.Out.Low <= r.true && r.true <= r.row.Out.High {
		h.out++
	}
	if r.row.ExtraRate.Low <= r.trueExtra && r.trueExtra <= r.row.ExtraRate.High {
		h.extra++
	}
	h.said, h.came = h.said+r.row.Out.Mean, h.came+r.true
	h.saidExtra, h.cameExtra = h.saidExtra+r.row.ExtraRate.Mean, h.cameExtra+r.trueExtra
}

func whatIfCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn", fleets: 3, machines: 40, days: 180}
	known := ours()
	var every []int
	cmd := &cobra.Command{
		Use:   "what-if",
		Short: "Hold replayed intervals between checks against fleets that lived with them",
		Long: `Asks the history of invented fleets, checked every day, what other intervals between
checks would have come to, and lets the same fleets live again with these: the same
machines, work, weather and pairs. Says how often the stated intervals of eight in ten
hold.`,
		Example: "  driftlab what-if --worlds straight,dirty,healthy --fleets 3 --machines 40 --days 180",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	cmd.Flags().IntSliceVar(&every, "every", []int{2, 3, 5, 7}, "`DAYS` between two checks")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		trials, err := p.trials(known)
		if err != nil {
			return err
		}
		sums := map[int]*held{}
		for i := range trials {
			w, _ := synth.WorldNamed(trials[i].world.name)
			all, err := replayIntervals(cmd.Context(), w, trials[i].wish, every)
			if err != nil {
				return err
			}
			fmt.Fprintf(e.stdout, "\n%s\n", trials[i].name())
			own := map[int]*held{}
			for j := range all {
				for _, to := range []map[int]*held{own, sums} {
					n := all[j].row.Every
					if to[n] == nil {
						to[n] = &held{}
					}
					to[n].add(&all[j])
				}
			}
			heldText(e, own, every)
		}
		fmt.Fprintf(e.stdout, "\nall fleets\n")
		heldText(e, sums, every)
		return nil
	}
	return cmd
}

func heldText(e *env, all map[int]*held, every []int) {
	for _, n := range append([]int{0}, every...) {
		h := all[n]
		if h == nil {
			continue
		}
		k := float64(h.cases)
		fmt.Fprintf(e.stdout, "every %2d days: %3d places; out of 1000 said %.1f, came %.1f, range held %.0f %%; more than it was said %.1f, came %.1f, range held %.0f %%\n",
			n, h.cases, h.said/k, h.came/k, 100*float64(h.out)/k, h.saidExtra/k, h.cameExtra/k, 100*float64(h.extra)/k)
	}
}
