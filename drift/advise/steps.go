package advise

import (
	"time"

	"arcdrift/drift/phrase"
)

// worthATest is the probability from which on a cause is tested before anybody goes to
// the electrodes: two fresh ends cost minutes, a new pair costs a pair and a conditioning.
const worthATest = 0.1

// Steps are what to check, in order: the cheap tests that tell the causes apart, then the
// work on the electrodes. None for a machine of which nothing is wanted.
func (a *Assessment) Steps(now time.Time) []string {
	switch {
	case a.State == Fit && a.Due == nil:
		return nil
	case a.State == NoData:
		return []string{"Find the machine. Ask whether it was used.", "Calibrate it and log the result."}
	}
	var steps []string
	if a.State == Stop {
		steps = append(steps, "Give the crew another machine.")
	}
	tests := 0
	for _, cause := range []string{CauseEnds, CauseAir} {
		if a.Streak.blame(cause) >= worthATest {
			steps = append(steps, CauseTest(cause))
			tests++
		}
	}
	if a.Streak.Attempts == 0 && (a.checks() || a.State == CheckFirst) {
		steps = append(steps, "Calibrate with fresh ends before the next splice.")
	}
	bench := a.BenchStep(now)
	switch {
	case bench == "" && a.Streak.Attempts > 0:
		steps = append(steps, "If it fails again, the bench inspects the electrodes.")
	case bench == "" && a.Due != nil && len(steps) == 0:
		steps = append(steps, a.CrewStep())
	case bench != "":
		steps = append(steps, a.benchSteps(now, tests > 0)...)
	}
	return steps
}

// benchSteps are what the bench does; after tests only if these did not cure it.
func (a *Assessment) benchSteps(now time.Time, afterTests bool) []string {
	work := map[Action]string{Inspect: "inspect", Clean: "clean", Replace: "replace"}[a.Electrode.Action] + " the electrodes" + a.byWhen(now) + "."
	switch {
	case a.Electrode.Action == None || a.Electrode.Action == "":
		return []string{a.BenchStep(now)}
	case afterTests:
		return []string{"If it fails again, " + work}
	}
	return []string{
		"Before any work, calibrate once and log the result as found.",
		phrase.Sentence(work),
		"Afterwards calibrate again and log the service with what you found.",
	}
}

// TestsEnds says whether the steps begin with another cleaver.
func (a *Assessment) TestsEnds() bool {
	return a.Streak.blame(CauseEnds) >= worthATest
}
