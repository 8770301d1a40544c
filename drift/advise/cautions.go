package advise

import "strings"

// Cautions are the usual ones, a sentence each. They stand wherever a text may
// send a person to the electrodes; see [Assessment.RequiresOpening].
func Cautions() []string {
	return []string{
		"Switch the machine off, unplug it and remove the battery. Electrodes carry high voltage and stay hot: let them cool.",
		"Wear eye protection. Fibre ends are sharp and hard to see: put every one into the sharps bin.",
		"Keep alcohol away from flames and sparks. Let everything dry before the next arc.",
		"Never look into a fibre: it may be live.",
		"The maker's instructions, local rules and licensed practice come first.",
	}
}

// CautionText is the cautions as one paragraph.
func CautionText() string {
	return "Before anyone opens, cleans or replaces electrodes: " + strings.Join(Cautions(), " ")
}

// ArcCautionText is the cautions for a test arc, which needs no opening.
func ArcCautionText() string {
	return "For the test arc: wear eye protection. Put fibre ends into the sharps bin. Let alcohol dry and keep it away. Never look into a fibre: it may be live. The maker's instructions come first."
}

// RequiresOpening says whether the answer sends somebody to the electrodes: then the
// cautions are shown.
func (a *MoveAnswer) RequiresOpening() bool { return a.Action != None && a.Action != "" }

// RequiresOpening says whether the answer may end with hands inside the machine: then
// the cautions are shown.
func (a *Assessment) RequiresOpening() bool {
	return a.Electrode.Action != None && a.Electrode.Action != "" ||
		a.State == Stop || a.State == ServiceSoon || a.Streak.Attempts > 0
}
