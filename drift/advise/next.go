package advise

import "time"

// NextStep is the next thing to do with its date, one short sentence or two; a
// day that has gone by is said to be one. It is the one wording of it: pages and
// answers all say this.
func (a *Assessment) NextStep(now time.Time) string {
	check := ""
	switch {
	case a.State == Stop:
		check = "Do not splice with it. "
	case a.Due.Binds() && a.Streak.Attempts == 0, a.likelyOut():
		check = "Calibrate before the next splice. "
	}
	by := a.byWhen(now)
	switch a.Electrode.Action {
	case Inspect:
		if a.Streak.EndsFirst() {
			return check + "Try another cleaver; if that fails too, look at the electrodes" + by + "."
		}
		return check + "Look at the electrodes" + by + "."
	case Clean:
		return check + "Clean the electrodes" + by + "." + a.first()
	case Replace:
		return check + "Replace the electrodes" + by + "." + a.first()
	}
	switch a.State {
	case Stop:
		return check + "Bring it to the bench."
	case CheckFirst:
		if a.Streak.EndsFirst() {
			return "Try another cleaver, then calibrate again."
		}
		return "Calibrate before the next splice."
	case ServiceSoon:
		return "Book the bench" + by + "."
	case NoData:
		return "Ask where it is; log a calibration."
	}
	if a.Due != nil {
		return "Check before the first splice."
	}
	return "Nothing to do."
}

// first adds the check of the day to a service that is not for today.
func (a *Assessment) first() string {
	if a.State == ServiceSoon && a.Due != nil {
		return " Check before the first splice."
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
		by = " by " + t.Format("Mon 2 Jan")
	}
	if day < now.Format(time.DateOnly) {
		return " now: it was due" + by
	}
	return by
}
