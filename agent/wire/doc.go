// Package wire turns bytes, rows and forms into drift values and back. It is the only
// decoder: all sources use it, so that a record means the same wherever it came from.
//
// All forms follow the field table of package drift and are strict. An unknown or
// repeated name, a value of another kind or out of bounds, and text after the end are
// refused with a [drift.Problem]: one sentence for the person who has to correct it.
// Every record that is returned without a problem has passed [drift.Record.Check].
//
// The forms:
//
//   - JSON (RFC 8259, in UTF-8 and without repeated names, as RFC 7493 asks): one
//     object; null means absent. extra is an object of the sender's own, kept as it
//     came; fields has the new values of a correction.
//   - JSON lines: one such object per line. A faulty line does not affect the others.
//   - CSV (RFC 4180): a header of field names, commas or semicolons between the cells, a
//     decimal comma only with semicolons; an empty cell means absent. A row is one line.
//     A column extra or fields holds such an object as JSON; a column extra.NAME or
//     fields.NAME holds one member of it.
//   - Form values: the names of CSV, with a decimal point or comma.
//
// An exported record has an envelope besides its own fields: received, via, store_epoch,
// store_seq and, if they say something, possible_repeat and account. Reading checks their
// kinds and returns all but via and the numbers. Only an import and a hub use them: a
// second store cannot find out otherwise when a record arrived, which decides what was
// known at a moment.
package wire
