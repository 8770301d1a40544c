// Package whatif says what another policy would have cost, and what it would have let
// through, in the history that a fleet already has.
//
// Three policies are replayed. Checks every so many days ([Intervals]): the setting in
// force is held from the last check that the policy keeps, and the power that the arc
// needed on each day of work is drawn from the machine's smoothed past. Cleaning at so
// many arcs ([CleanAt]): age replacement after Barlow & Hunter (1960, Operations Research
// 8:90, the formula from memory), on lives since the last service. Spare pairs
// ([SparesOf]): a base stock with the depot's own demand.
//
// Intervals are reviewed in the sense of ILAC-G24:2022 / OIML D 10:2022, clause 6, whose
// methods are named there: a calendar interval (6.2 and 6.3), in-use time (6.4), checks
// in service, and other statistical approaches. This is one of the last kind, by calendar
// time; cleaning at arcs goes by in-use time. Only the names of the methods and that
// clause 6.1 weighs risk against cost are used. The clauses' numbers were read in the
// table of contents; the document itself was not at hand.
//
// A history knows nothing of a day that nobody worked, of a fault that a check kept
// from happening, or of how people act under another rule: see [Limits].
package whatif

// Limits are sentences on what no history can tell; they stand under every answer.
func Limits() []string {
	return []string{
		"The past is replayed as it was: machines, sites, weather and work of another year may differ.",
		"What only a check had found is taken to be found by the next check of the interval. Until then the machine is taken to go on as it was; in truth it gets worse, and the next check may pass by luck.",
		"Fewer checks cost more than a replay shows: on invented fleets that really lived with them, two to three times as many more splices were out of tolerance. Take these figures as the least.",
		"Checks that other rules ask for, after electrode work or a move, are kept in every row.",
		"This is advice. Nothing is changed: a setup record changes the interval, with somebody's name.",
	}
}

// Range is a mean with the ends of an interval that holds the true value with a chance of
// 0.8, as far as the history is like what it is asked about.
type Range struct {
	Mean float64 `json:"mean"`
	Low  float64 `json:"p10"`
	High float64 `json:"p90"`
}
