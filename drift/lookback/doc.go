// Package lookback says which splices to doubt when a machine is found out.
//
// When a check fails, a pair is found worn or dirty, a rule was broken or a record is
// corrected, the state of the machine in the days before is estimated from all
// records, those before and those after: a smoothed state, not the filter's view
// of the moment (see [Smooth]). With the air, the setting in force and the
// scatter of single splices it gives the chance that a splice was made outside
// tolerance, by day and job, and how many of a job likely were. Splices of one
// day share the machine's state, so they are not independent: numbers of splices
// come from joint draws of the state.
//
// The package is pure: records and a moment in, a [Report] out.
package lookback
