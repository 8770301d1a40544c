// Package synth makes artificial fleets whose truth is known: for tests, for scoring the
// model, and for the demo. All its numbers are invented.
//
// A [World] describes the machines, the sites and the people; [Make] simulates a fleet in
// it and returns the records that its senders would have published, with the [Truth]
// behind them. The same world, seed and size give the same fleet, bit for bit. [Worlds]
// lists worlds of different kinds, so that no model is tuned to one; in some the [Law] of
// the machines has another form than the model assumes. [Open] is the contractor of the
// demo, whose days go on.
//
// The required power of the electrodes (level) wears and walks with the arcs, is raised by
// dirt and changed by the air; each attempt adds scatter, which grows too. The machine
// measures only how far the ends melt back, corrects itself, and tries again up to its
// attempt limit; after a session without a pass the bench may be called. The whole state
// of a machine is one value, with its random streams. So a copy that runs on is what would
// have happened without a service, and a copy with new streams is a future as the oracle
// expects it.
//
// Inside the package levels and effects are in log percent, 100·ln(1 + r/100) for r
// percent. What leaves the package is in percent.
package synth
