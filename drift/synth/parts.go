package synth

import (
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

// Roles tells which machine plays which role.
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
	if p.role == Newcomer {
		n.firstArcs = 0
	}
	return n
}

func (p *part) script() script {
	c := script{busy: days{storyDays - 7, storyDays + 2}}
	switch p.role {
	case BluntEnds:
		c.blunt = days{storyDays - 2, storyDays + 3}
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
	left, ends := m.ArcsToFailure(now, 6000)
	c := m.At(now)
	passed := m.Sessions[len(m.Sessions)-1].Passed
	alone := !m.servedSince(now.AddDate(0, 0, -12))
	fit := passed && c.ScatterPct < 2.3 && (!ends || left > 900)
	switch p.role {
	case WearingOut:
		return passed && !m.servedSince(now.AddDate(0, 0, -28)) && ends && left > 60 && left < 450 &&
			c.RequiredPct > 4 && c.SlopePct > 2 && c.ScatterPct < 5.5
	case BluntEnds:
		return alone && c.ScatterPct < 2.3 && (!ends || left > 900) && m.missedSince(now.AddDate(0, 0, -3)) >= 5
	case UpTheHill:
		return fit && alone && c.Site == m.nature.world.Sites[stoorPass].Name
	case JustCleaned:
		last := len(m.Services) - 1
		return passed && ends && left > 400 && left < 1500 && last >= 0 && m.Services[last].Action == drift.Cleaned
	case Newcomer:
		return fit && c.Arcs < 700
	default:
		return fit && alone
	}
}

func (m *Machine) servedSince(t time.Time) bool {
	return len(m.Services) > 0 && m.Services[len(m.Services)-1].Time.After(t)
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
