package main

import (
	"math"
	"math/rand/v2"

	"github.com/spf13/cobra"

	"arcdrift/drift/advise"
	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
)

// hardWorlds are fleets of drift/synth whose constants are drawn from the seed: machines
// that are first recorded with worn pairs (worn), and besides stand at their limits
// (limit), and that correct themselves in many ways.
func hardWorlds() []world {
	kinds := []struct {
		name string
		draw func(w *synth.World, rng *rand.Rand)
	}{
		{"worn", func(*synth.World, *rand.Rand) {}},
		{"limit", func(w *synth.World, rng *rand.Rand) {
			for i := range w.Models {
				w.Models[i].Limit = 3 + 3*rng.Float64()
				w.Models[i].Slope.Mean = math.Abs(w.Models[i].Slope.Mean) + 1
			}
		}},
	}
	var out []world
	for _, kind := range kinds {
		out = append(out, world{kind.name, func(wish blind.Wish) *blind.Fleet {
			rng := rand.New(rand.NewPCG(wish.Seed, 1))
			w := hardWorld(rng)
			kind.draw(&w, rng)
			return fleetOf(w, wish)
		}})
	}
	return out
}

// hardWorld draws the constants of a fleet.
func hardWorld(rng *rand.Rand) synth.World {
	w, _ := synth.WorldNamed("straight")
	w.FirstWear = 1
	w.Grades = synth.Mix{Full: 0.34, Correction: 0.33, Typed: 0.3}
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	for i := range w.Models {
		m := &w.Models[i]
		m.Slope = synth.Spread{Mean: between(0.5, 3.5), SD: between(0.3, 1)}
		m.Offset.SD = between(0.5, 2)
		m.Law.MachineOffset = between(0, 1)
		m.Bend = math.Exp(between(-0.2, 0.8))
		m.Gain, m.PassGain = between(0.3, 1.3), 0
		if rng.Float64() < 0.5 {
			m.PassGain = between(0.1, 1)
		}
		m.Law.DeadBand = between(0, 0.5)
		m.Law.CoarseSteps, m.Law.Averages = rng.Float64() < 0.3, rng.Float64() < 0.2
		m.Law.Resets = rng.Float64() < 0.3
		m.Scatter, m.ScatterArcs, m.ScatterBend = between(0.8, 1.8), between(1500, 4000), between(2, 6)
	}
	w.Bench.Cleans = rng.IntN(3)
	if rng.Float64() < 0.4 {
		w.Bench.ReplaceAt = int64(between(2000, 4000))
	}
	return w
}

func hardCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn", fleets: 6, machines: 24, days: 200, step: 50}
	known := hardWorlds()
	cmd := &cobra.Command{
		Use:   "hard",
		Short: "Test the same on worn machines, at their limits, with random habits",
		Long: `Tests forecasts, required power, site checks and calls on fleets of drift/synth whose
constants are drawn at random: machines that are first recorded with worn pairs,
that stand at their limits, and that correct themselves in many ways. A fleet takes
about 16 s of one processor.`,
		Example: "  driftlab hard --check\n  driftlab hard --worlds limit --fleets 4",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.judgeForecasts(cmd.Context(), e, known, func(blind.Wish) []bar { return hardBars() })
	}
	return cmd
}

// hardBars keep what was reached on seeds 1 to 8: skill 0.60, interval 84 %, required
// power −0.21 % and 1.13 % on full data, 0.19 % on corrections.
func hardBars() []bar {
	const full, correction = string(advise.Full), string(advise.CorrectionOnly)
	return []bar{
		atLeast("skill", allData, 0.5), within("interval", allData, 0.7, 0.9),
		within("power_bias", full, -0.5, 0.5), atMost("power_rms", full, 1.5), within("power_bias", correction, -0.8, 0.8),
	}
}
