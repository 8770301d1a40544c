// Package delta invents a fleet of fusion splicing machines from causes. Its
// author had not read the model of this project, nor any other invented fleet.
//
// Every arc burns a little metal off two electrode tips. They recede, so the gap
// grows; they go blunt, so the arc spreads; and glass vapour settles on them as
// silica, which partly burns off again. Now and then a lump of glass or a trace of
// grease lands on a tip. The rougher the tips are, the further the hot spot drifts
// along the fibre and the more it jumps from arc to arc: the scatter of attempts
// comes from there, not from a formula in arcs. The heat that reaches the fibre
// depends on all of this, on the density and humidity of the air and on how cold
// the body of the machine still is. The ends melt back by how far the heat is above
// a softening threshold, so the exponent between power and meltback is only locally
// constant. The machine measures with noise and corrects itself by the rules of its
// firmware, which may change in mid-life.
//
// Around the machines are people: crews with their own habits, who follow projects
// over the land with the seasons; cleavers that go blunt and have their blade
// turned; a bench with a backlog and a policy.
//
// All constants are invented: wide but plausible ranges, without a source.
//
// A machine's whole condition is one value (state) that moves from event to event.
// Every chance is drawn from a stream named by what it is for (chance), so that the
// same history with one cause taken away is the same in all else. Life's answers
// are such runs from a kept state.
package delta

import "arcdrift/drift/blind"

// World invents the fleet that w asks for. The same wish gives the same bytes.
// Typing, Grade and Mess change only how it is told.
func World(w blind.Wish) *blind.Fleet {
	f := drawFleet(w)
	out := &blind.Fleet{}
	var told []*record
	for i, m := range f.machines {
		h := live(m, w.Days)
		v := drawVoice(w, f, m, i)
		recs := v.tell(h)
		if w.Mess {
			recs = v.disturb(recs)
		}
		told = append(told, recs...)
		out.Machines = append(out.Machines, blind.Machine{
			Name: m.name, Model: m.model.name, Grade: v.grade, WholeSessions: v.whole,
			Moves: h.moves, Life: h,
		})
	}
	out.Lines = lines(told)
	out.About = f.about()
	return out
}
