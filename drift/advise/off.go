package advise

import (
	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// LikelyOut is the chance of being out, in the air of the last calibration, from
// which a machine that passed there is still to be checked first: more likely out
// than not. In artificial fleets one session in fifty ends so with a machine that is
// fit otherwise, and half of those are out (2 to 12 in 100 of all others).
const LikelyOut = 0.5

// SettingWrong says whether the machine is likely out only because of its setting: a
// calibration that corrects it puts that right.
func SettingWrong(m *model.Machine) bool {
	return m.OutAgain() >= LikelyOut && m.OutCentred() < LikelyOut
}

// likelyOut says whether the machine is likely out at its setting although its last
// attempt passed: mostly because bad fibre ends drove the setting off, and passed.
func (a *Assessment) likelyOut() bool {
	return a.Streak.Attempts == 0 && a.Drift.ProbabilityOut.Or(0) >= LikelyOut
}

// explainOut gives the reasons of a machine that is likely out.
func (a *Assessment) explainOut(say func(string, ...any), m *model.Machine) {
	say("At the present setting, %s attempts would be out of tolerance, although the last calibration passed.", phrase.Chance(a.Drift.ProbabilityOut.Or(0)))
	if best := m.OutCentred(); best >= LikelyOut {
		say("Even at the best setting, %s would be. Inspect the electrodes.", phrase.Chance(best))
		return
	}
	if setting, ok := a.Drift.Setting.Get(); ok {
		level, _ := m.Level()
		density, humidity := m.AirEffects()
		say("The setting is %s. In that air the machine needs about %s.", phrase.SignedPercent(setting), phrase.SignedPercent(model.Pct(level+density+humidity)))
	}
	say("A pass with bad fibre ends proves little. Calibrate with fresh ends, and with another cleaver if there is one.")
}
