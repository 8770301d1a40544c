// Package sheet reads a table that somebody kept in a spreadsheet and makes of each row the
// values that package wire decodes. A [Mapping] says how: which column is which field, how
// dates and numbers are written, in which time zone and units, and what the table leaves
// out. A file is text or a workbook (.xlsx): its first sheet, or the one that the mapping
// names. Cells that have the format of a date are dates, without a question. [Guess] proposes a mapping; what a table does not show for certain stays open, and
// [Mapping.Open] asks for it. Nothing is guessed in silence.
//
// A row that cannot be read is refused on its own, as everywhere. Rows of one machine with
// the same time are placed one second apart in the order of the table: attempts stay in
// their order, and two equal rows stay two.
package sheet
