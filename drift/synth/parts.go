package synth

import (
	"slices"
	"time"

	"arcdrift/drift"
)

// Role is what a machine of the scenario shows.
type Role string

// The roles.
const (
	Sound       Role = "sound"
	WearingOut  Role = "wearing-out"
	BluntEnds   Role = "blunt-cleaver"
	UpTheHill   Role = "up-the-hill"
	Silent      Role = "silent"
	SaysLittle  Role = "pass-fail-only"
	JustCleaned Role = "just-cleaned"
	Newcomer    Role = "new"
)

// Roles names the machine of each role.
func (s *Scenario) Roles() map[string]Role {
	out := map[string]Role{}
	for _, p := range parts() {
		out[p.name] = p.role
	}
	return out
}

// part is a machine of the scenario.
type part struct {
	name, operator string
	model, home    int
	grade          Grade
	role           Role
}

func parts() []part {
	return []part{
		{"K-01", "Ines Varga", 0, 0, Full, Sound},
		{"K-02", "Tomas Reik", 0, 1, Full, JustCleaned},
		{"K-03", "Ada Lund", 0, 2, Full, UpTheHill},
		{"K-04", "Jonah Pell", 0, 0, Full, Sound},
		{"K-05", "Mirel Osk", 0, 1, Full, Silent},
		{"K-06", "Sefa Brandt", 0, 2, Correction, Sound},
		{"K-07", "Ines Varga", 0, 1, Full, WearingOut},
		{"M-01", "Tomas Reik", 1, 0, Full, Sound},
		{"M-02", "Oda Kessel", 1, 1, Full, BluntEnds},
		{"M-03", "Jonah Pell", 1, 2, PassFail, SaysLittle},
		{"M-04", "Rune Adair", 1, 0, Correction, Sound},
		{"M-05", "Oda Kessel", 1, 1, Full, Newcomer},
	}
}

// newcomerDays is how long the new machine has been there.
const newcomerDays = 9

// play draws lives for the part until one shows at noon of today what the role
// asks. One life in a hundred does for the rarest role, so that the bound on the
// number of draws is never met.
func (p *part) play(w *World, seed uint64, index int, zero, noon time.Time) (*actor, *Machine, []drift.Record) {
	days := storyDays + 1
	if p.role == Newcomer {
		zero, days = zero.AddDate(0, 0, storyDays-newcomerDays), newcomerDays+1
	}
	const most = 10_000
	for take := uint64(0); ; take++ {
		fresh := streamOf(seed, take)
		n := p.nature(w, fresh.pcg.Uint64(), index, zero)
		m, s, records := n.live(days)
		if take == most || p.shows(m, noon) {
			return &actor{n, s}, m, records
		}
	}
}

// nature is that of a machine of the world, with the part's own labels, grade
// and script.
func (p *part) nature(w *World, seed uint64, index int, zero time.Time) *nature {
	n := newNature(w, seed, index, zero)
	n.name, n.operator, n.cleaver = p.name, p.operator, "C-"+p.name
	n.home = p.home
	own := streamOf(seed, uint64(index), roleKey)
	n.become(&w.Models[p.model], &own)
	n.setGrade(p.grade, p.role == SaysLittle)
	n.script = p.script()
	if n.script.arcsPerDay > 0 {
		n.arcsPerDay = n.script.arcsPerDay
	}
	if p.role == Newcomer {
		n.firstArcs = 0
	}
	return n
}

func (p *part) script() script {
	c := script{busy: days{storyDays - 7, storyDays + 2}}
	switch p.role {
	case WearingOut:
		c.arcsPerDay = 60
	case BluntEnds:
		// It stays in the van today, so that yesterday's streak lasts all day.
		c.blunt, c.silent = days{storyDays - 1, storyDays + 3}, days{storyDays, storyDays + 1}
	case UpTheHill:
		c.moveOn, c.moveTo = storyDays-1, stoorPass
	case Silent:
		c.silent = days{storyDays - 5, storyDays + 4}
	case JustCleaned:
		c.soilOn, c.cleanOn = storyDays-6, storyDays-4
	case Newcomer:
		c = script{busy: days{0, newcomerDays + 2}}
	}
	return c
}

// shows says whether the life is a good example of the role at a moment.
func (p *part) shows(m *Machine, now time.Time) bool {
	c := m.At(now)
	passed := m.passedLast(1)
	alone := !m.servedSince(now.AddDate(0, 0, -12))
	lasts := func(arcs int64) bool {
		left, ends := m.ArcsToFailure(now, 6000)
		return !ends || left > arcs
	}
	fit := passed && c.ScatterPct < 2.3
	switch p.role {
	case WearingOut:
		return m.passedLast(3) && !m.servedSince(now.AddDate(0, 0, -20)) && c.RequiredPct > 4 &&
			m.At(now.AddDate(0, 0, -2)).ScatterPct > 5 && c.ScatterPct < 9 &&
			m.missedSince(now.AddDate(0, 0, -14)) >= 7 && lasts(60) && m.failsWithin(now, 7)
	case BluntEnds:
		return alone && c.ScatterPct < 2.3 && m.gaveUpOnEnds() && lasts(900)
	case UpTheHill:
		return fit && alone && c.Site == m.nature.world.Sites[stoorPass].Name && lasts(900)
	case JustCleaned:
		last := len(m.Services) - 1
		return passed && last >= 0 && m.Services[last].Action == drift.Cleaned && lasts(400) && !lasts(1500)
	case Newcomer:
		return fit && c.Arcs < 700 && lasts(900)
	default:
		return fit && alone && lasts(900)
	}
}

func (m *Machine) servedSince(t time.Time) bool {
	return len(m.Services) > 0 && m.Services[len(m.Services)-1].Time.After(t)
}

// failsWithin says whether one who knows all but chance holds a failure within
// so many working days as likely as not.
func (m *Machine) failsWithin(now time.Time, days float64) bool {
	const draws = 20
	return float64(m.Futures(now, 6000, draws, 1)[draws/2]) < days*m.ArcsPerDay
}

// passedLast says whether the last n sessions had a pass.
func (m *Machine) passedLast(n int) bool {
	last := m.Sessions[len(m.Sessions)-n:]
	return !slices.ContainsFunc(last, func(s Session) bool { return !s.Passed })
}

// gaveUpOnEnds says whether the latest session, first of ten, had no pass and
// every attempt of it a bad end.
func (m *Machine) gaveUpOnEnds() bool {
	before, s := *m, m.Sessions[len(m.Sessions)-1]
	before.Sessions = m.Sessions[:len(m.Sessions)-1]
	return before.passedLast(9) && !s.Passed && s.Fit && s.BadEnd == s.Attempts
}

// missedSince counts the attempts without a pass.
func (m *Machine) missedSince(t time.Time) int {
	missed := 0
	for _, a := range m.Attempts {
		if a.Time.After(t) && !a.Passed {
			missed++
		}
	}
	return missed
}
