// Package wire turns bytes, rows and forms into drift values and back. It is
// the only decoder: every door reads through it, so that a record means the
// same wherever it came in.
//
// All forms are driven by the field table of package drift and are strict. A
// name that is unknown or stands twice, a value of another kind or out of
// bounds, text after the end: each is a refusal, a [drift.Problem] that reads as
// one sentence for the person who has to put it right. What comes out has
// passed [drift.Record.Check].
//
// The forms:
//
//   - JSON (RFC 8259, and as RFC 7493 asks no name twice, UTF-8 only): one
//     object, null meaning absent. extra is an object of the sender's own,
//     kept as it came; fields holds the new values of a correction.
//   - JSON lines: one such object per line. A bad line costs that line only.
//   - CSV (RFC 4180): a header of field names, commas or semicolons between the
//     cells, a decimal comma only beside semicolons, an empty cell meaning
//     absent. A row is one line. A column extra or fields holds such an object
//     as JSON; a column extra.NAME or fields.NAME holds one member of it.
//   - Form values: the names of CSV, with a decimal point or comma.
//
// An exported record carries an envelope beside its own fields: received, via,
// store_epoch, store_seq and, when there is something to say, possible_repeat and
// account. Reading checks their kinds and hands on all but via and the numbers;
// an import and a hub honour that and every other door ignores it: arrival is what "what could be known
// then" rests on, and what a second store cannot find out for itself.
package wire
