package advise

import "strings"

// Cautions are the usual ones, a sentence each. They stand wherever a text may
// send a person to the electrodes; see [Assessment.RequiresOpening].
func Cautions() []string {
	return []string{
		"Power off and unplugged, battery out: electrodes carry high voltage and stay hot, let them cool.",
		"Eye protection on; fibre ends are sharp and hard to see: into the sharps bin, every one.",
		"Alcohol away from any flame or spark, and everything dry before the next arc.",
		"Never look into a fibre: it may be live.",
		"The maker's instructions, local rules and licensed practice come first.",
	}
}

// CautionText is the cautions as one paragraph.
func CautionText() string {
	return "Before anybody opens, cleans or replaces electrodes: " + strings.Join(Cautions(), " ")
}

// RequiresOpening says whether the answer may end with hands inside the machine: then
// the cautions are shown.
func (a *Assessment) RequiresOpening() bool {
	return a.Electrode.Action != None && a.Electrode.Action != "" ||
		a.State == Stop || a.State == ServiceSoon || a.Streak.Attempts > 0
}
