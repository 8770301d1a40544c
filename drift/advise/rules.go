package advise

import (
	"fmt"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// Rules are the rules of the trade for one machine: what they need to know of it
// and its settings.
type Rules struct {
	Checks
	// Every is every how many days the daily check is due, 0 for never.
	Every int64
	// Conditioning is how many arcs condition a new pair; Stated is whether a setup
	// says so.
	Conditioning int64
	Stated       bool
	// Worth is the chance of being out from which a check pays.
	Worth float64
}

// RulesOf are the rules by a machine's settings.
func RulesOf(c Checks, s *drift.Settings) Rules {
	return Rules{Checks: c, Every: s.DailyCheck, Conditioning: s.ConditioningArcs, Stated: s.ConditioningStated, Worth: s.CheckMinutes / s.OutMinutes}
}

// Due is the check that is due at a moment, nil for none.
func (r *Rules) Due(zone *time.Location, now time.Time) *Due { return r.Checks.Due(r.Every, zone, now) }

// words says why a check is due, in at most three sentences.
func (r *Rules) words(d *Due, zone *time.Location) []string {
	switch d.Reason {
	case ElectrodeWork:
		return append([]string{r.done(zone) + ". No calibration has passed since: calibrate before the next splice."}, r.condition()...)
	case FirstUse:
		if d.UsedSince {
			return []string{"The machine has been used, but no calibration has ever passed: calibrate before the next splice."}
		}
		return []string{"No calibration of this machine has passed yet: calibrate before its first splice."}
	case Moved:
		return []string{r.moved() + " after its last pass: calibrate before the next splice."}
	case Weather:
		return []string{r.aired() + " since the last pass: calibrate before the next splice."}
	}
	return []string{r.daily(d, zone)}
}

// done says what was done to the electrodes, and when.
func (r *Rules) done(zone *time.Location) string {
	on := phrase.Moment(r.Work.In(zone))
	switch {
	case r.Done != "":
		return fmt.Sprintf("The electrodes were %s on %s", r.Done, on)
	case r.NewPair:
		return fmt.Sprintf("The arc counter fell on %s: probably a new pair", on)
	}
	return fmt.Sprintf("A calibration on %s reports electrode service", on)
}

// condition says how many conditioning arcs a new pair needs.
func (r *Rules) condition() []string {
	switch {
	case !r.NewPair || r.Conditioning == 0:
		return nil
	case r.Stated:
		return []string{fmt.Sprintf("Burn the %s of the new pair first.", phrase.Count(r.Conditioning, "conditioning arc"))}
	}
	return []string{fmt.Sprintf("Burn the conditioning arcs of the new pair first: %d unless the maker says otherwise (default; no setup states conditioning_arcs).", r.Conditioning)}
}

func (r *Rules) moved() string {
	if r.To != "" {
		return "The machine was moved to " + r.To
	}
	if d, ok := r.Higher.Get(); ok {
		return "The machine was moved " + change(d, 10, "m", "up", "down", "")
	}
	return "The machine was moved"
}

func (r *Rules) aired() string {
	if d, ok := r.Warmer.Get(); ok {
		return "The air has become " + change(d, 1, "°C", "warmer", "cooler", "")
	}
	return "The weather has changed"
}

// daily says that the day's check is to be made.
func (r *Rules) daily(d *Due, zone *time.Location) string {
	since := "no calibration has passed today"
	if r.Every > 1 {
		since = fmt.Sprintf("the last pass was on %s, and a calibration is due every %s", phrase.Date(r.Passed.In(zone)), phrase.Count(r.Every, "day"))
	}
	if d.UsedSince {
		return "The machine has been used, and " + since + ": calibrate before the next splice."
	}
	return "Calibrate before the first splice: " + since + "."
}

// Phrase is the reason in a few words.
func (d *Due) Phrase() string {
	return map[DueReason]string{
		ElectrodeWork: "electrodes serviced", FirstUse: "never passed", Moved: "moved", Weather: "air has changed", StartOfDay: "used today without a check",
	}[d.Reason]
}

// Ask is a check that is due from a moment on, and why.
type Ask struct {
	From   time.Time `json:"from"`
	Reason DueReason `json:"reason"`
	Words  []string  `json:"words"`
}

// Asks are the check that is due now and that of the next day, as long as nothing
// new is recorded of the machine: what a phone without the agent goes by. The latest
// that has begun counts.
func (r *Rules) Asks(zone *time.Location, now time.Time) []Ask {
	out := []Ask{}
	d := r.Due(zone, now)
	next := startOfDay(now, zone, 1)
	switch {
	case d != nil:
		out = append(out, Ask{d.Since, d.Reason, r.words(d, zone)})
		if d.Reason != StartOfDay || r.Every != 1 {
			return out
		}
	case r.First.IsZero() || r.Every == 0:
		return out
	default:
		next = startOfDay(r.Passed, zone, int(r.Every))
	}
	return append(out, Ask{next, StartOfDay, r.words(&Due{Reason: StartOfDay, Since: next}, zone)})
}
