package advise

import "arcdrift/drift/phrase"

// lastFailed says how many attempts in a row have failed.
func lastFailed(n int) string {
	if n == 1 {
		return "The last attempt failed"
	}
	return "The last " + phrase.Count(n, "attempt") + " failed"
}

// CauseWord names a cause of a streak, as it is written within a sentence.
func CauseWord(cause string) string {
	switch cause {
	case CauseEnds:
		return "fibre ends"
	case CauseElectrodes:
		return "electrodes"
	}
	return "air"
}

// CauseTest is the cheap test that shows whether a cause is the right one.
func CauseTest(cause string) string {
	switch cause {
	case CauseEnds:
		return "Clean and cleave both ends again. Then make one attempt with another cleaver."
	case CauseElectrodes:
		return "If another cleaver makes no difference, the bench inspects the pair."
	}
	return "Wait until the machine has the temperature of the place. Shield it from wind. Then calibrate again."
}

// Word says what an answer to a move asks for, as a headline.
func (a *MoveAnswer) Word() string {
	switch {
	case a.Answer == Recalibrate:
		return "Recalibrate now"
	case a.Answer == Wait:
		if minutes, ok := a.WaitMinutes.Get(); ok {
			return "Wait " + phrase.Count(minutes, "minute") + " with the lid shut, then recalibrate"
		}
		return "Wait until the machine is warm and dry, then recalibrate"
	case a.Answer == NoNeed && a.RequiresOpening():
		return "Do not recalibrate: inspect the electrodes"
	case a.Answer == NoNeed && a.CheckDue != nil:
		return "Make today's calibration"
	case a.Answer == NoNeed:
		return "No need to recalibrate"
	}
	return "Cannot tell. Recalibrate to be safe"
}

// Word says what an answer rests on.
func (e Evidence) Word() string {
	switch e {
	case ThisMachine:
		return "based on this machine's own records"
	case MachinesLikeIt:
		return "based on machines like it"
	}
	return "a rule of thumb: few records so far"
}
