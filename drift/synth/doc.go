// Package synth makes artificial fleets whose truth is known: for tests, for
// scoring the model, and for the demo. Every number in it is invented.
//
// A [World] says of what kind the machines are; [Make] lets a fleet live in it
// and returns the records its senders would have published together with the
// [Truth] behind them. The same world, seed and size give the same fleet, bit
// for bit. [Worlds] lists worlds that differ in kind, so that no model is tuned
// to one; in some the models' [Law] has another form. [Open] is the contractor of
// the demo, whose days go on.
//
// How a machine lives: the electrodes' required power (level) wears and wanders
// with the arcs burnt, is raised by dirt and moved by the air; each attempt adds
// scatter, which grows too. The machine sees only how far the ends melt back,
// corrects itself, and tries again up to its attempt limit; a session without a
// pass brings the bench. All that changes in a machine is one value, its streams
// of chance included. So a copy of it, run on, is what would have happened had
// the pair been left alone, and a copy with fresh streams is a future that one
// who knows everything but chance must reckon with.
//
// Levels and effects inside the package are in hundredths of ln power, called
// log-percent here: 100·ln(1 + r/100) for r percent. What leaves the package is
// in percent.
package synth
