// Package fit has the numerical methods of the model: state-space filters, robust and
// censored observations, pooled estimation, lifetimes and failure runs. It works on
// plain slices and knows no machines.
//
//   - [Normal] is a small joint-normal state with its updates by measurements,
//     outliers and intervals: state.go, truncated.go. [Feedback] is the update by the
//     pass or fail of a controller that corrects itself: feedback.go.
//   - [Trend] is a local level, with or without a slope, in continuous time: likelihood
//     (series.go), maximum likelihood (trend.go), filter, smoother and forecast
//     (smooth.go).
//   - [Pool], [PoolJoint] and [FitMixed] estimate a population and shrink its units
//     towards it: pool.go, joint.go, mixed.go. [Laplace] approximates a posterior by a
//     normal distribution: laplace.go.
//   - [LifeTable] and [Weibull] estimate lifetimes from right-censored and left-truncated
//     lives: life.go, weibull.go. [Crossing] says when a fitted line reaches a height:
//     crossing.go.
//   - [RunChance] and [Beta] judge runs of failures: streak.go.
//
// A vector of n numbers is a []float64 of length n; an m×n matrix is a []float64 of
// length m·n, row by row. Units are the caller's. Functions leave their arguments as
// they were; methods change their receiver only where they say so. What cannot be
// computed is an error of one sentence.
package fit
