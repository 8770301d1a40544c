// Package backtest replays a history without looking ahead: at each moment it says
// what would have been said then, from what had happened by then, and scores that by
// what came of it.
//
// [Run] makes a [Replay]: forecasts of arcs to failure ([Case]), site checks after
// moves ([MoveCase]) and alerts ([Watch]), of the model and of the simple rules that it
// must beat. [Replay.Tables] and [Replay.Card] are the replay in numbers. A [Truth]
// adds what only the maker of an artificial fleet knows.
//
// Arcs are counts of the electrode pair; chances are from 0 to 1; times are as in the
// records. The scores are those of arcdrift/drift/score.
package backtest
