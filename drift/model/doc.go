// Package model turns the records of a machine into what is known of it now,
// and the machines of a fleet into what is known of their kind.
//
// A [Reader] understands one machine's entries, in order, as [Event]s: attempts
// with their place on the electrode pair, services, counters that fell. A
// [Population] holds what the fleet has taught of each model and its programs. A
// [Machine] folds events into a joint distribution of required power, its slope,
// the effect of the air, the setting in force and the scatter. [Learn] estimates
// the populations from all machines, as a pure function of their events.
//
// Power is handled as 100·ln(1 + s/100), a percentage in which steps add up; it
// is called log percent here. Wear is counted on a clock of arcs (see
// Params.Wear) so that bent wear is a straight line.
package model
