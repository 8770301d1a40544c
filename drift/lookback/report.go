package lookback

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// Report is the answer to a look-back. Its JSON form is fixed: every key is always
// there, null when unknown. Percentages of power are of the program's nominal
// power; chances and shares are between 0 and 1.
type Report struct {
	AsOf time.Time `json:"as_of"`
	// Spans are what was looked back on, newest first.
	Spans []Span `json:"spans"`
	// Entries are worst first: by chance of being out, then by splices.
	Entries []Entry `json:"entries"`
	// Jobs are totals, most splices likely out first.
	Jobs []Job `json:"jobs"`
	// Warnings are plain sentences on what limits the answer.
	Warnings []string `json:"warnings"`
}

// Waiting are the findings that wait for a decision, most splices likely out first.
func (r *Report) Waiting() (out []*Span) {
	for i := range r.Spans {
		if r.Spans[i].Open {
			out = append(out, &r.Spans[i])
		}
	}
	slices.SortStableFunc(out, func(a, b *Span) int { return cmp.Compare(b.Waiting.Out.Mean, a.Waiting.Out.Mean) })
	return out
}

// OpenSpans counts the findings that wait for a decision, and says since when the oldest
// does; zero for none.
func (r *Report) OpenSpans() (open int, oldest time.Time) {
	for i := range r.Spans {
		if since, waits := r.Spans[i].OpenSince.Get(); waits {
			open++
			if oldest.IsZero() || since.Before(oldest) {
				oldest = since
			}
		}
	}
	return open, oldest
}

// Trigger says what started a look-back.
type Trigger string

// The triggers. A span that somebody asks for has none of the others' faults.
const (
	CheckFailed     Trigger = "check-failed"
	PairWorn        Trigger = "pair-worn"
	RuleBroken      Trigger = "rule-broken"
	RecordCorrected Trigger = "record-corrected"
	Asked           Trigger = "asked"
)

// words say what was found, in a part of a sentence; "" where somebody asked.
func (t Trigger) words() string {
	switch t {
	case CheckFailed:
		return "a check failed"
	case PairWorn:
		return "the electrodes were found worn or dirty"
	case RuleBroken:
		return "it was used without a check that was due"
	case RecordCorrected:
		return "a record was corrected"
	}
	return ""
}

// words say all that was found out, in a part of a sentence; "" where somebody asked.
func (s *Span) words() string {
	var out []string
	for _, t := range s.Triggers {
		if words := t.words(); words != "" {
			out = append(out, words)
		}
	}
	return phrase.Join(out)
}

// Span is the time that a look-back reviews on one machine: from the last point
// known good to the moment it was found out.
type Span struct {
	// Name names the span within its report: entries refer to it.
	Name    string `json:"name"`
	Machine string `json:"machine"`
	// Triggers are all that fell into the span, Record is the id of the record that
	// showed the first of them, empty for a span that was asked for.
	Triggers []Trigger `json:"triggers"`
	Record   string    `json:"record"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	// Found says when it was found out, first and last, and what was found, in a sentence;
	// empty where somebody asked. Good says what made From the last point known good.
	Found string `json:"found"`
	Good  string `json:"good"`
	// All adds up the entries of the span, Waiting those that wait for a decision.
	// Summary says in a sentence what waits or, where nothing does, what all is.
	All     Tally  `json:"all"`
	Waiting Tally  `json:"waiting"`
	Summary string `json:"summary"`
	// Next says which splices to measure next, and when to stop; empty where nobody has to.
	Next string `json:"measure_next"`
	// Open is whether an entry of the span waits for a decision, OpenSince since when.
	Open      bool                 `json:"open"`
	OpenSince drift.Opt[time.Time] `json:"open_since"`

	first time.Time // when it was first found out
}

// Tally adds up entries of one span. First and Last are local days of the machine, as
// 2006-01-02, empty for no entries; Days counts those with splices.
type Tally struct {
	Entries int    `json:"entries"`
	Days    int    `json:"days"`
	First   string `json:"first_day"`
	Last    string `json:"last_day"`
	Splices int    `json:"splices"`
	// Counted is whether splice records tell all of them.
	Counted bool   `json:"counted"`
	Out     Number `json:"out"`
}

// Entry is the answer about the splices of one machine, on one day, for one
// job. Machine, Day and Job name it: a decision refers to these.
type Entry struct {
	Machine string `json:"machine"`
	// Job is empty where no splice record names one.
	Job string `json:"job"`
	// Day is the local day of the machine, as 2006-01-02.
	Day string `json:"day"`
	// Span is the name of the span that it belongs to.
	Span string `json:"span"`
	// Splices is their number. Counted is whether splice records state it; otherwise
	// it is estimated from the arcs that the machine burnt.
	Splices int  `json:"splices"`
	Counted bool `json:"counted"`
	// Chance is that of one of these splices to have been made outside tolerance.
	// It takes in measured losses; Before is the chance without them, null where no
	// loss was measured.
	Chance float64            `json:"chance_out"`
	Before drift.Opt[float64] `json:"chance_out_before_loss"`
	// Out is how many of the splices were likely made outside tolerance.
	Out Number `json:"out"`
	// Deviation is the power needed minus the setting in force, in percent: above 0
	// the arc was too weak. It is the mean of the machine's state, without the
	// scatter of single splices; DeviationSD is the doubt about it.
	Deviation   float64 `json:"deviation_pct"`
	DeviationSD float64 `json:"deviation_sd_pct"`
	Way         Way     `json:"way"`
	// Tolerance is how far off still passes, in percent of power, the narrower side.
	Tolerance float64 `json:"tolerance_pct"`
	// Why lists what the doubt comes from, most important first; Reason says it in
	// a sentence.
	Why    []Why  `json:"why"`
	Reason string `json:"reason"`
	// Loss is what was measured on these splices; null for nothing.
	Loss *Loss `json:"loss"`
	// Decision is the latest one, null while there is none.
	Decision *Decision `json:"decision"`
	// Open is whether somebody has to decide: the machine was found out, and the chance
	// is at least [OpenFrom]. Reopened is what changed since the
	// decision, null if it is still valid.
	Open     bool      `json:"open"`
	Reopened *Reopened `json:"reopened"`
}

// Number is a number of splices with its doubt: the mean, and the ends of an
// interval that holds the true number with a chance of 0.8.
type Number struct {
	Mean float64 `json:"mean"`
	Low  int     `json:"p10"`
	High int     `json:"p90"`
}

// Way says on which side of the target the arc was.
type Way string

// The ways.
const (
	TooWeak   Way = "too-weak"
	TooStrong Way = "too-strong"
	// Either: the scatter of single splices, to both sides.
	Either Way = "either"
)

// Why says what the doubt about splices comes from.
type Why string

// The reasons.
const (
	Wear Why = "wear"
	Air  Why = "air"
	// LeftOff: the last check passed, and the setting it left was off nonetheless.
	LeftOff      Why = "left-off"
	NoCheck      Why = "no-check"
	AfterService Why = "after-service"
	// Scatter: the machine was set right, but its splices differ too much.
	Scatter Why = "scatter"
)

// Loss is what was measured of the splices of an entry.
type Loss struct {
	// Mean is the mean splice loss, Worst the highest, in dB.
	Mean  float64 `json:"mean_db"`
	Worst float64 `json:"worst_db"`
	// Measured is how many splices it rests on, BothWays how many of them were
	// measured from both ends, Estimated how many values are a machine's own
	// estimate, which says little.
	Measured  int `json:"measured"`
	BothWays  int `json:"both_ways"`
	Estimated int `json:"estimated"`
}

// Decision is what somebody decided. It is a record of its own and changes none.
type Decision struct {
	// Record is the id of the record.
	Record  string        `json:"record"`
	Verdict drift.Verdict `json:"verdict"`
	Reason  string        `json:"reason"`
	Time    time.Time     `json:"time"`
	// By is the operator named in the record, Role that person's role if the store
	// knows it; empty if not.
	By   string `json:"by"`
	Role string `json:"role"`
	// Chance is the chance of being out that the decision rested on.
	Chance drift.Opt[float64] `json:"chance_out"`
}

// Reopened says that the answer changed by more than [Material] after a decision.
type Reopened struct {
	Was float64 `json:"was"`
	Is  float64 `json:"is"`
}

// Material is the change of the chance of being out, either way, from which a
// decision is no longer taken to stand.
const Material = 0.1

// Job is the total of one job over its entries.
type Job struct {
	Job      string   `json:"job"`
	Machines []string `json:"machines"`
	Days     int      `json:"days"`
	Splices  int      `json:"splices"`
	// Counted is whether all of them were counted by splice records.
	Counted bool   `json:"counted"`
	Out     Number `json:"out"`
	// Open is how many entries wait for a decision.
	Open int `json:"open"`
	// Summary says it in a sentence.
	Summary string `json:"summary"`
}
