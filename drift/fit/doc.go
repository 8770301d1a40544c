// Package fit estimates numbers from numbers: states that drift, measured with
// noise, spoilt now and then, or not at all; and units that differ but are of
// one kind. It works on plain slices and knows no machines.
//
//   - Normal is a small joint-normal state, and what a measurement or an
//     interval tells of it: state.go, truncated.go.
//   - Trend is a level, with a slope or without, that wanders in continuous
//     time: likelihood (series.go), fit (trend.go), filter, smoother and
//     forecast (smooth.go).
//   - Pool and FitMixed shrink units towards their population: pool.go, mixed.go.
//   - RunChance and Beta judge streaks of failures: streak.go.
//   - LifeTable and Weibull learn from lives, some of them cut short: life.go,
//     weibull.go.
//
// Arguments are left as they were; only the methods of Normal change their
// receiver. What cannot be computed is an error of one sentence.
package fit
