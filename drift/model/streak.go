package model

import "time"

// Streak is the run of attempts without a pass that stands now, within or
// across sessions.
type Streak struct {
	Attempts, Sessions int
	Since              time.Time
	// Spoilt is the mean probability, over its attempts, of a spoilt end.
	Spoilt float64
	// OutBefore and OutNow are the chances of an attempt outside the tolerance
	// that the model saw just before the streak, in the air of the attempt before
	// it and in the air it began in.
	OutBefore, OutNow float64
	// OtherCleaver is whether it went on with ends of another cleaver.
	OtherCleaver bool

	cleaver string
}

// outlook is what an attempt was expected to do before it was made.
type outlook struct{ before, now float64 }

func (m *Machine) outlook(before, now [airTerms]float64) outlook {
	return outlook{m.OutChance(before, 0), m.OutChance(now, 0)}
}

// note takes the next attempt and returns how many tries of it belong to the
// streak and how many failed before a pass ended it.
func (s *Streak) note(ev *Event, spoilt float64, out outlook) (fails int) {
	fails = int(ev.Tries)
	if ev.Passed {
		*s = Streak{}
		return fails - 1
	}
	if s.Attempts == 0 {
		*s = Streak{Since: ev.Time, OutBefore: out.before, OutNow: out.now, cleaver: ev.Cleaver}
	}
	if ev.NewSession || s.Sessions == 0 {
		s.Sessions++
	}
	s.OtherCleaver = s.OtherCleaver || ev.Cleaver != "" && s.cleaver != "" && ev.Cleaver != s.cleaver
	s.Spoilt = (s.Spoilt*float64(s.Attempts) + spoilt*float64(fails)) / float64(s.Attempts+fails)
	s.Attempts += fails
	return fails
}

// tally remembers how often attempts failed, forgetting slowly, and what the
// last of them told.
type tally struct {
	fails, tries float64
	grades       [recentLength]uint8
	n            int
}

const (
	// tallyMemory lets about the last 200 attempts count.
	tallyMemory  = 0.995
	recentLength = 20
)

func (t *tally) note(ev *Event, fails int) {
	t.fails = t.fails*tallyMemory + float64(fails)
	t.tries = t.tries*tallyMemory + float64(ev.Tries)
	t.grades[t.n%recentLength] = uint8(gradeOf(ev))
	t.n++
}

// Grade says how much records tell.
type Grade uint8

// The grades of data.
const (
	NoRecords Grade = iota
	PassFail
	CorrectionOnly
	Full
)

func gradeOf(ev *Event) Grade {
	switch {
	case ev.Melt.Known() && ev.Setting.Known():
		return Full
	case ev.Correction.Known() || ev.Melt.Known():
		return CorrectionOnly
	}
	return PassFail
}

// Grade is what most of the machine's last attempts told.
func (m *Machine) Grade() Grade {
	var counts [Full + 1]int
	for _, g := range m.tally.grades[:min(m.tally.n, recentLength)] {
		counts[g]++
	}
	best := NoRecords
	for g := PassFail; g <= Full; g++ {
		if counts[g] > 0 && counts[g] >= counts[best] {
			best = g
		}
	}
	return best
}

// FailRate is how often the machine's attempts fail: so many of so many, the
// streak that stands left out.
func (m *Machine) FailRate() (fails, tries float64) {
	standing := float64(m.streak.Attempts)
	return max(m.tally.fails-standing, 0), max(m.tally.tries-standing, 0)
}
