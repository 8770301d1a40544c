// Package model estimates the state of a machine from its records, and the parameters
// of each kind of machine from the records of the fleet.
//
// A [Reader] turns one machine's entries, in order, into [Event] values: attempts with
// their place on the electrode pair, services, counters that fell. A [Population] has
// the [Params] of each model. A [Machine] updates, event by event, the joint
// distribution of required power, its slope, the effects of the air, the setting in
// force and the scatter. [Sample.Learn] estimates the populations from all machines, as
// a pure function of their events.
//
// Units. Power is 100·ln(1 + s/100) for a setting of s percent above nominal: in this
// unit, called log percent, steps add up. Arcs are counts on the electrode pair. Wear is
// counted on a clock of arcs ([Params.Wear]), on which wear that is a power of arcs is a
// straight line. Meltback is in micrometres, or 100·ln of its ratio to the target.
package model
