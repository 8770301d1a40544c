package web

import (
	"fmt"
	"math"
	"slices"

	"arcdrift/drift/advise"
)

// fences are the ranges of dates or arcs of all attempts, and of the values of those that
// passed, beyond which a point is far from the others: three times the distance of the quartiles beyond them, the outer fences of
// Tukey, Exploratory Data Analysis (1977), section 2D (from memory).
func fences(points []advise.Point, v chartView) (x, y scale) {
	var xs, ys []float64
	for _, p := range points {
		xs = append(xs, v.x(p))
		if value, ok := v.y(p).Get(); ok && p.Passed {
			ys = append(ys, value)
		}
	}
	return fence(xs), fence(ys)
}

// fence is the range between the outer fences of values; everything if there are too few
// to say, or if they are all alike.
func fence(values []float64) scale {
	const few = 8
	slices.Sort(values)
	n := len(values)
	if n < few {
		return scale{from: math.Inf(-1), to: math.Inf(1)}
	}
	low, high := values[n/4], values[n-1-n/4]
	if low == high {
		return scale{from: math.Inf(-1), to: math.Inf(1)}
	}
	return scale{from: low - 3*(high-low), to: high + 3*(high-low)}
}

// clip is an arrow at the edge for a place outside of the axes, which points to it.
func clip(px, py float64, x, y scale) (arrow string, out bool) {
	const size = 5.0
	switch {
	case px < x.a-size:
		return fmt.Sprintf("M%s %sl8-5v10z", coord(x.a), coord(min(max(py, y.b), y.a))), true
	case px > x.b+size:
		return fmt.Sprintf("M%s %sl-8-5v10z", coord(x.b), coord(min(max(py, y.b), y.a))), true
	case py < y.b-size:
		return fmt.Sprintf("M%s %sl-5 8h10z", coord(px), coord(y.b)), true
	case py > y.a+size:
		return fmt.Sprintf("M%s %sl-5-8h10z", coord(px), coord(y.a)), true
	}
	return "", false
}

// at is where a point is on the chart, from 0 at its left to 1; "" if it is not there.
func (c *chart) at(p advise.Point, pair int) string {
	if c == nil {
		return ""
	}
	v := chartView{byDate: c.byDate}
	if !c.byDate && p.Pair != pair || !c.xs.holds(v.x(p)) {
		return ""
	}
	return coordFine((c.xs.at(v.x(p)) - c.Left) / (c.Right - c.Left))
}
