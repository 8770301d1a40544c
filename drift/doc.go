// Package drift holds the terms of the program: a [Record] of one of seven types,
// the [Field] table that says what each of its fields is called, means and may
// be, and the rules that need nothing but records: what is valid
// ([Record.Check]), what makes two records the same ([Record.Identity]), in
// which order one machine's records happened ([Order]), which attempts belong
// to one session ([Sessions]), what a correction changes ([Correct]) and which
// settings hold for a machine ([Setups]).
//
// Every other package uses these terms. The package imports the
// standard library only, reads no clock and keeps no state of its own.
package drift
