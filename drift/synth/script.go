package synth

// script is what must happen to a machine of the demo.
type script struct {
	// On busy days nobody has a day off, on silent days the machine lies idle, on
	// blunt days its cleaver is.
	busy, silent, blunt days
	soilOn, cleanOn     day
	moveOn              day
	moveTo              int
	// arcsPerDay, if not 0, are the machine's.
	arcsPerDay float64
}

// day is a day that something happens on; 0 is none.
type day int

func (d day) is(today int) bool { return d > 0 && int(d) == today }

// days are those from the first until before the last; the zero value has none.
type days struct{ from, until int }

func (d days) has(today int) bool { return today >= d.from && today < d.until }

// follow lays the script over the day that has dawned.
func (c *script) follow(n *nature, s *state) {
	s.today.works = s.today.works || c.busy.has(s.day) || c.moveOn.is(s.day)
	if c.silent.has(s.day) {
		s.today.works = false
	}
	if c.blunt != (days{}) && s.day >= c.blunt.from-1 && s.day <= c.blunt.until {
		s.blunt = c.blunt.has(s.day)
	}
	if c.soilOn.is(s.day) {
		s.pair.soil(n.model, &s.wear)
	}
	if c.moveOn > 0 && s.day <= int(c.moveOn)+stay {
		s.today.to = -1
	}
	if c.moveOn.is(s.day) {
		s.today.to, s.today.check = c.moveTo, true
	}
}

// stay is how many days a scripted move lasts at least.
const stay = 3
