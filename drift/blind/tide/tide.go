// Package tide invents ordinary fleets: contractors that work well, with crews and
// machines as most are. Its author has not read the model and knows only the trade
// and the contract of the records. A world of extremes shows where a model breaks;
// this one shows what most users would get.
//
// A machine is a state that is a plain value, and a step that lets the next thing
// happen: air, a move, an attempt, half a day of work, a service. Luck is a function
// of a seed and of the event, so that the same attempt has the same luck whatever
// came before. The history, the life of a pair left alone and its possible futures
// are the same step with another seed or without service.
//
// The laws:
//   - Required power is machine + program + pair + wear + wander + deposits + air, as
//     logarithm of power. Wear takes one of five forms. Deposits grow with arcs, and
//     splashes partly burn off.
//   - An attempt scatters normally, and some arcs jump; both grow with wear, scatter
//     with deposits too. Attempts of one session share a part.
//   - Meltback is a power of the heat above the start of melting, so that it is
//     steeper for too little power than for too much.
//   - The machine corrects a share of the error it believes in, in steps, outside a
//     dead band, up to its limit; some do so only after a fail.
//   - Thin air needs more power; vapour and temperature add a little; two models in
//     three make up for a part of it.
//   - People check by habit, after moves and after services; they clean, replace and
//     inspect by plan, or when checks get hard, and do not write down all of it.
//
// Every constant is drawn from a range for the fleet, then varied for the model, the
// machine and the pair. No range has a published source: they are guesses from what
// is common practice. What comes of them, in 30 fleets of 20 machines over 200 days
// (10th percentile, median and 90th percentile of the fleets):
//
//	sessions passed at the first attempt, %       74   85   90
//	sessions ended without a pass, %              0.2  0.5  2.1
//	median life of a pair left alone, arcs        2200 3000 3600
//	10th percentile of single pairs, arcs         1300 1900 2500
//	90th percentile of single pairs, arcs         2900 4300 5100
//	sessions a machine and day                    0.13 0.47 0.67
//	required power at reference air, %            from -7 to 9 (5th and 95th percentiles)
//	effect of air on it, %                        from -2 to 4, with mountains up to 10
//	sessions at the limit of power, %             0    0.2  1.8
//
// Not modelled: machines that are still warming up, condensation, wind at the lid,
// optics that get dirty, repairs of other parts, machines that change their crew,
// ends that are equally bad for days on several machines of one crew.
package tide

import (
	"fmt"
	"sort"

	"arcdrift/drift/blind"
)

// World invents one fleet.
func World(w blind.Wish) *blind.Fleet {
	f := drawFleet(w)
	out := &blind.Fleet{About: f.about()}
	all := f.setups()
	for i := range w.Machines {
		m := f.machine(i)
		t := telling{m: m, style: m.style(), used: -1}
		l := m.live(t.hear)
		if w.Mess {
			t.mess()
		}
		all = append(all, t.out...)
		out.Machines = append(out.Machines, blind.Machine{
			Name: m.name, Model: m.model.name, Grade: t.style.grade, WholeSessions: t.style.whole, Moves: t.moves, Life: l,
		})
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].received.Before(all[j].received) })
	for i := range all {
		out.Lines = append(out.Lines, all[i].line())
	}
	return out
}

// about lists what was drawn for the fleet.
func (f *fleet) about() []string {
	c := &f.crews
	out := []string{
		fmt.Sprintf("%d sites, mean %.0f °C, %d working days a week", len(f.sites), f.climate.mean, c.weekDays),
		fmt.Sprintf("%d attempts a session, one in %.1f days", f.attempts, c.every),
		fmt.Sprintf("%.0f arcs a working day, pairs worn at %.0f, replaced at %.0f, cleaned every %.0f", c.arcs, c.life, c.replaceAt, c.cleanEvery),
		fmt.Sprintf("%.1f %% bad ends, %.1f times as many with a spent blade, %.0f %% of services unlogged", 100*c.bad, c.blunt, 100*c.hidden),
	}
	for i := range f.models {
		m := &f.models[i]
		out = append(out, fmt.Sprintf("%s: drift %+.1f %% when worn, %s, scatter %.2f of tolerance, limit %.0f %%, corrects %.2f of an error, after a pass too: %t, height made up for: %.2f",
			m.name, 100*m.wear.drift, m.wear.form, m.scatter, m.correct.limit, m.correct.gain, m.correct.trims, m.breath.made))
	}
	return out
}
