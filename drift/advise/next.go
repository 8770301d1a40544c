package advise

import (
	"time"

	"arcdrift/drift/phrase"
)

// NextStep is the next thing to do with its date, one short sentence or two; a
// day that has passed is marked so. It is the one wording of it: pages,
// messages, commands and answers all say this.
func (a *Assessment) NextStep(now time.Time) string {
	crew, bench := a.CrewStep(), a.BenchStep(now)
	switch {
	case bench == "" && crew == "":
		return "Nothing to do."
	case bench == "":
		return crew
	case a.State == CheckFirst && !a.checks(), crew == "":
		return bench
	case a.State == ServiceSoon && !a.checks():
		return bench + " " + crew
	}
	return crew + " " + bench
}

// checks says whether a calibration is asked for before the next splice that a
// failed attempt has not already been.
func (a *Assessment) checks() bool {
	return a.Due.Binds() && a.Streak.Attempts == 0 || a.likelyOut()
}

// CrewStep is what the crew does before it splices, a sentence; "" for nothing.
func (a *Assessment) CrewStep() string {
	switch {
	case a.State == Stop:
		return "Do not use this machine."
	case a.State == NoData:
		return "Find the machine and log a calibration."
	case a.checks():
		return "Calibrate before the next splice."
	case a.State == CheckFirst && a.Streak.EndsFirst():
		return "Try another cleaver, then calibrate again."
	case a.State == CheckFirst:
		return "Calibrate before the next splice."
	case a.Due != nil:
		return "Calibrate before the first splice."
	case a.CheckPays:
		return "Nothing is due. Another calibration is worth its time."
	}
	return ""
}

// BenchStep is what is done to the electrodes and by when, a sentence; "" for
// nothing.
func (a *Assessment) BenchStep(now time.Time) string {
	by := a.byWhen(now)
	switch a.Electrode.Action {
	case Inspect:
		if a.Streak.EndsFirst() {
			return "Try another cleaver. If that fails too, inspect the electrodes" + by + "."
		}
		return "Inspect the electrodes" + by + "."
	case Clean:
		return "Clean the electrodes" + by + "."
	case Replace:
		return "Replace the electrodes" + by + "."
	}
	switch a.State {
	case Stop:
		return "Bring it to the bench."
	case ServiceSoon:
		return "Book a service" + by + "."
	}
	return ""
}

// byWhen is the day by which the pair is to be seen to, as people plan.
func (a *Assessment) byWhen(now time.Time) string {
	day, ok := a.Electrode.ActBy.Get()
	if !ok {
		return ""
	}
	by := " by " + day
	if t, err := time.Parse(time.DateOnly, day); err == nil {
		by = " by " + phrase.Day(t)
	}
	if day < now.Format(time.DateOnly) {
		return " now (it was due" + by + ")"
	}
	return by
}
