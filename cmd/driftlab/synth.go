package main

import (
	"time"

	"github.com/spf13/cobra"

	"arcdrift/drift/advise"
	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
)

// ours are the worlds of drift/synth, whose authors have written the model too.
func ours() []world {
	var out []world
	for _, w := range synth.Worlds() {
		out = append(out, world{w.Name, func(wish blind.Wish) *blind.Fleet { return fleetOf(w, wish) }})
	}
	return out
}

func synthCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn"}
	known := ours()
	cmd := &cobra.Command{
		Use:     "synth",
		Short:   "Test the same on the fleets of drift/synth",
		Long:    "Tests the same on the fleets of drift/synth, whose laws the authors of the model know.\nIts bars keep what was reached. " + costs,
		Example: "  driftlab synth --fleets 6 --machines 24 --days 150 --step 45 --seed 41 --check\n  driftlab synth --worlds straight,bent --fleets 6",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.judgeForecasts(cmd.Context(), e, known, synthBars)
	}
	return cmd
}

// synthBars keep what was reached with the first example of the command: skill 0.75,
// interval 85 %, service calls 76 % right, failures 76 % announced; on full data required
// power 1.26 and −0.11 %, chance 0.09, cost 0.26.
func synthBars(blind.Wish) []bar {
	const full = string(advise.Full)
	return []bar{
		atLeast("skill", allData, 0.65), within("interval", allData, 0.75, 0.92),
		atLeast("calls_right", allData, 0.65), atLeast("announced", allData, 0.6),
		atMost("power_rms", full, 1.5), within("power_bias", full, -0.5, 0.5),
		atMost("chance_rms", full, 0.12), atMost("move_cost", full, 0.4),
	}
}

// fleetOf is a fleet of drift/synth as strangers' fleets are. Of the wish it knows
// seed, size and dates.
func fleetOf(w synth.World, wish blind.Wish) *blind.Fleet {
	made := synth.Make(w, wish.Seed, wish.Machines, wish.Start, wish.Days)
	out := &blind.Fleet{About: []string{w.About}}
	for i := range made.Records {
		r := &made.Records[i]
		out.Lines = append(out.Lines, blind.Line{Received: r.Time, JSON: r.AppendCanonical(nil)})
	}
	for _, m := range made.Truth.Machines {
		own := blind.Machine{Name: m.Name, Model: m.Model.Name, Grade: string(m.Grade), WholeSessions: m.Typed, Life: life{m}}
		for _, v := range m.Moves {
			// A session at the new site begins at that very moment.
			own.Moves = append(own.Moves, blind.Move{At: v.Time.Add(-time.Second), Air: airOf(v.Air)})
		}
		out.Machines = append(out.Machines, own)
	}
	return out
}

func airOf(a synth.Air) blind.Air {
	return blind.Air{TemperatureC: a.TemperatureC, HumidityPct: a.HumidityPct, AltitudeM: a.AltitudeM, PressureHPa: a.PressureHPa}
}

// life is the truth of one machine of drift/synth.
type life struct{ *synth.Machine }

// At implements [blind.Life].
func (l life) At(at time.Time) blind.Condition {
	c := l.Machine.At(at)
	return blind.Condition{
		Program: l.Model.Program, RequiredPct: c.RequiredPct, SettingPct: c.SettingPct, Arcs: c.Arcs, Air: airOf(c.Air),
	}
}

// Lived implements [blind.Life].
func (l life) Lived(at time.Time, horizon int64) int64 {
	arcs, _ := l.ArcsToFailure(at, horizon)
	return arcs
}

// ProbabilityOut implements [blind.Life].
func (l life) ProbabilityOut(at time.Time, a blind.Air) float64 {
	return l.Machine.ProbabilityOut(at, synth.Air{
		TemperatureC: a.TemperatureC, HumidityPct: a.HumidityPct, AltitudeM: a.AltitudeM, PressureHPa: a.PressureHPa,
	})
}
