package forecast

import "arcdrift/drift/model"

// A machine that changes between programs goes on changing between them: sessions ahead
// are in the programs of the last sessions, each with its own need, setting and window.

// running is a program in one simulated life.
type running struct {
	model.Mode
	// offset is its part of the level, setting the setting that it was left with, in log
	// percent.
	offset, setting float64
}

// programs sets the programs of the machine.
func (s *simulation) programs(m *model.Machine) {
	modes, now := m.Modes()
	s.first, s.now = now, now
	for _, one := range modes {
		s.modes = append(s.modes, running{Mode: one})
	}
}

// begin begins a life at a draw, and returns the place of its first session among those of
// the future: after a session in the program in use, if there was one.
func (s *simulation) begin(d *model.Draw) (next int) {
	sessions := len(s.future.Steps)
	next = s.rng.IntN(sessions)
	if len(s.modes) == 1 {
		return next
	}
	for k := range s.modes {
		one := &s.modes[k]
		one.offset = one.Offset + one.OffsetSD*s.rng.NormFloat64()
		one.setting = d.Setting + one.Setting + one.SettingSD*s.rng.NormFloat64()
	}
	s.modes[s.first].offset = d.Offset
	s.run(s.first)
	for range sessions {
		if s.future.Programs[(next+sessions-1)%sessions] == s.first {
			break
		}
		next = (next + 1) % sessions
	}
	return next
}

// turn changes to a program.
func (s *simulation) turn(d *model.Draw, to int) {
	if to == s.now {
		return
	}
	was, is := &s.modes[s.now], &s.modes[to]
	d.Level += is.offset - was.offset
	if s.p.OwnSettings {
		was.setting, d.Setting = d.Setting, is.setting
	}
	s.run(to)
	d.Setting = s.within(d.Setting)
}

// run makes sessions run in a program.
func (s *simulation) run(k int) {
	s.now, s.p = k, s.modes[k].Params
	s.lo, s.hi = s.p.Window()
	s.bottom, s.top = s.p.Bounds()
}
