// Package moor invents a fleet of a cable contractor on high ground: crews in
// vans with small splicing machines, a few sites between the coast and the moor,
// one bench. Its author had not read the model that the fleet is there to judge,
// nor any other part of this project but the contract of the records and the
// words of the job.
//
// The world behind the records is this. An arc of a given setting melts ends back
// as a power of arc power. The power that would melt exactly the target wanders
// with the arcs on the pair: it wears in one of several shapes, jumps with dirt,
// and is not typical on a new pair. Attempts scatter about it, the more the older
// the pair; a part of the scatter is common to a session. Thin, damp or cold air
// asks for another power, as far as the machine does not allow for it. The machine
// corrects itself by its own rule within a limit. Crews cleave well or badly, have
// blunt cleavers for weeks, give up, clean, call the bench or work on. All of it is
// drawn from the seed.
//
// Chance is a function of a seed and of what it is asked for (see chance), not a
// stream that is used up. So the same day has the same luck whether or not somebody
// steps in, which is what makes the truth of a pair left alone exact.
package moor

import (
	"fmt"
	"sort"
	"time"

	"arcdrift/drift/blind"
)

// World invents a fleet. The same wish gives the same fleet, byte for byte.
func World(w blind.Wish) *blind.Fleet {
	f := drawFleet(w)
	out := &blind.Fleet{}
	var lines []told
	for i := range f.machines {
		m := f.machines[i]
		h := live(m)
		style := drawStyle(f, m, w)
		name := m.name
		out.Machines = append(out.Machines, blind.Machine{
			Name: name, Model: m.model.name, Grade: style.grade, WholeSessions: style.whole,
			Moves: h.moves, Life: h,
		})
		mine := tell(f, h, style)
		if w.Mess {
			mine = disturb(f, m, style, mine)
		}
		lines = append(lines, mine...)
	}
	lines = append(lines, tellSetups(f)...)
	sort.SliceStable(lines, func(i, j int) bool { return lines[i].received < lines[j].received })
	for _, l := range lines {
		out.Lines = append(out.Lines, blind.Line{
			Received: f.start.Add(time.Duration(l.received) * time.Second), JSON: l.bytes(),
		})
	}
	out.About = f.about()
	return out
}

func (f *fleet) about() []string {
	out := []string{
		fmt.Sprintf("%d machines of %d models, %d sites, %d crews", len(f.machines), len(f.models), len(f.sites), len(f.crews)),
		fmt.Sprintf("attempt limit %d", f.limit),
		fmt.Sprintf("median life scale %.0f arcs, %.0f arcs on a working day", f.life, f.arcsADay),
		fmt.Sprintf("power per density %.2f, per g/m³ %.4f, per °C %.5f (logarithms)", f.perDensity, f.perVapour, f.perDegree),
		fmt.Sprintf("heavy tails %.3f of attempts, %.1f times as wide; session share of scatter %.2f", f.tailShare, f.tailWidth, f.sessionShare),
		fmt.Sprintf("bench: cleans first %.2f, at most %d times, logs %.2f, late %.2f, preventive %s",
			f.people.cleanFirst, f.people.maxCleans, f.people.logs, f.people.late, f.people.preventive()),
		fmt.Sprintf("after a failed session: retry %.2f, clean in the field %.2f, bench %.2f", f.people.retry, f.people.field, f.people.bench),
	}
	for _, s := range f.sites {
		out = append(out, fmt.Sprintf("site %s at %.0f m, mean %.1f °C, season ±%.1f, shelter %.2f", s.name, s.altitude, s.mean, s.season, s.shelter))
	}
	for _, m := range f.models {
		out = append(out, fmt.Sprintf(
			"model %s: wear %s, %.3f over %.0f arcs; scatter %.4f growing %.1f; limit %.1f %%, gain %.2f, step %.2f, allows for %.2f of density",
			m.name, m.shape, m.wear, m.life, m.scatter, m.growth, m.limitPct, m.gain, m.step, m.compensates))
	}
	return out
}
