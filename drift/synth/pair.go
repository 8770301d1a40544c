package synth

import (
	"fmt"
	"math"
)

// pair is the state of the fitted electrodes.
type pair struct {
	arcs int64
	// offset, slope and scale are this pair's draws from the model's populations; scale
	// multiplies the scatter.
	offset, slope, scale float64
	// turn is the arcs at which wear changes, where the model's law has that.
	turn   float64
	wander float64
	// deposit is the age of the scatter, in arcs: cleaning lowers it.
	deposit                float64
	dirtLevel, dirtScatter float64
	cleanings              int
	cleanedAt              int64
	// lot is its name where the law has lots, bad whether that is a bad one.
	lot string
	bad bool
}

// label is what is printed on the pair: its lot if it has one, and a serial number.
func (p *pair) label(machine string, number int) string {
	if p.lot == "" {
		return fmt.Sprintf("%s/%d", machine, number)
	}
	return fmt.Sprintf("%s/%s.%d", p.lot, machine, number)
}

func newPair(m *Model, s *stream) pair {
	p := pair{
		offset: s.from(m.Offset), slope: s.from(m.Slope),
		scale: s.around(1, m.ScatterSpread),
	}
	if m.Law.Turn > 0 {
		p.turn = s.around(m.Law.Turn, m.Law.TurnSpread)
	}
	return p
}

// level is the required power at reference air in log-percent, without the
// scatter of an attempt.
func (p *pair) level(m *Model) float64 {
	wear, _ := p.worn(m)
	return p.offset + wear + p.wander + p.dirtLevel + m.NewOffset*p.newness(m)
}

// scatter is the spread of attempts in log-percent.
func (p *pair) scatter(m *Model) float64 {
	grown := p.grown(m)
	if m.Law.LevelScatter > 0 {
		grown += m.Law.LevelScatter * math.Abs(p.level(m)-p.offset)
	}
	return (p.scale*m.Scatter*grown + p.dirtScatter) * (1 + m.NewScatter*p.newness(m))
}

// newness falls from 1 at the first arc to e^-3 at the last conditioning arc.
func (p *pair) newness(m *Model) float64 {
	if m.Conditioning == 0 {
		return 0
	}
	return math.Exp(-3 * float64(p.arcs) / float64(m.Conditioning))
}

// advance ages the pair by n arcs at a site with that rate of dirt and says whether it was
// contaminated.
func (p *pair) advance(m *Model, n int64, dirt float64, s *stream) bool {
	p.arcs += n
	p.deposit += float64(n)
	k := float64(n) / 1000
	p.wander += m.Wander * math.Sqrt(k) * s.normal()
	if !s.chance(1 - math.Exp(-m.DirtRate*dirt*k)) {
		return false
	}
	p.soil(m, s)
	return true
}

// soil applies one contamination. Most raise the required power.
func (p *pair) soil(m *Model, s *stream) {
	up := 1.0
	if s.chance(0.15) {
		up = -1
	}
	p.dirtLevel += up * s.around(m.DirtLevel, 0.4)
	p.dirtScatter += s.around(m.DirtScatter, 0.4)
}

// clean removes a part of dirt and deposit; refitting the electrodes changes the level a
// little.
func (p *pair) clean(m *Model, s *stream) {
	left := 1 - m.CleanTakes*math.Pow(m.CleanFades, float64(p.cleanings))
	if m.Law.CleanRestores {
		left = 0
	} else {
		p.dirtLevel *= left
	}
	p.dirtScatter *= left
	p.deposit *= left
	p.wander += 0.3 * s.normal()
	p.cleanings++
	p.cleanedAt = p.arcs
}

// slopeNow is the wear in log-percent per 1000 arcs at the present arcs.
func (p *pair) slopeNow(m *Model) float64 {
	_, slope := p.worn(m)
	return slope
}
