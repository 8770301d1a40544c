package fit

import (
	"math"
	"slices"
)

// LifePrior is what is believed of the lifetimes of a population before any is known: they
// have a Weibull distribution, whose scale and shape are independent and log-normal. Scale
// and Shape are their medians, ScaleSD and ShapeSD the standard deviations of their natural
// logarithms, all above 0.
type LifePrior struct{ Scale, ScaleSD, Shape, ShapeSD float64 }

// LifeBelief is a distribution of lifetimes where scale and shape are not known for sure: a
// mixture of Weibull distributions whose weights sum to 1. The empty one believes nothing.
type LifeBelief []LifePart

// LifePart is one of them.
type LifePart struct {
	Weibull
	Weight float64
}

// The grid of scales and shapes on which beliefs are held.
const (
	gridScales, gridShapes = 25, 9
	gridWidth              = 3.0 // standard deviations to its edge
)

// grid yields its points with the logarithm of the prior density, up to a constant.
func (p LifePrior) grid(yield func(w Weibull, logPrior float64) bool) {
	at := func(i, n int) float64 { return gridWidth * (2*float64(i)/float64(n-1) - 1) }
	for i := range gridScales {
		for j := range gridShapes {
			x, y := at(i, gridScales), at(j, gridShapes)
			w := Weibull{Scale: p.Scale * math.Exp(x*p.ScaleSD), Shape: p.Shape * math.Exp(y*p.ShapeSD)}
			if !yield(w, -(x*x+y*y)/2) {
				return
			}
		}
	}
}

// LogLik returns the log likelihood of right-censored and left-truncated lives at each
// point of the prior's grid; those of several populations add up. The error names a life
// that is not valid.
func (p LifePrior) LogLik(lives []Life) ([]float64, error) {
	if len(lives) > 0 {
		if err := checkLives(lives); err != nil {
			return nil, err
		}
	}
	out := make([]float64, 0, gridScales*gridShapes)
	for w := range p.grid {
		out = append(out, w.logLik(lives))
	}
	return out, nil
}

// Believe returns what lives with a [LifePrior.LogLik] make of the prior, by Bayes. Points
// of negligible weight are left out.
func (p LifePrior) Believe(logLik []float64) LifeBelief {
	const negligible = 1e-4 // of the greatest
	var b LifeBelief
	top := math.Inf(-1)
	for w, logPrior := range p.grid {
		b = append(b, LifePart{w, logPrior + logLik[len(b)]})
		top = max(top, b[len(b)-1].Weight)
	}
	for i := range b {
		b[i].Weight = math.Exp(b[i].Weight - top)
	}
	b = slices.DeleteFunc(b, func(l LifePart) bool { return l.Weight < negligible })
	sum := 0.0
	for i := range b {
		sum += b[i].Weight
	}
	for i := range b {
		b[i].Weight /= sum
	}
	return b
}

// logLik is the log likelihood of lives.
func (d Weibull) logLik(lives []Life) (sum float64) {
	for _, l := range lives {
		one := math.Pow(l.From/d.Scale, d.Shape) - math.Pow(l.Length/d.Scale, d.Shape)
		if l.Ended {
			one += math.Log(d.Shape/l.Length) + d.Shape*math.Log(l.Length/d.Scale)
		}
		sum += l.weight() * one
	}
	return sum
}

// Survival returns the share of lives longer than an age.
func (b LifeBelief) Survival(age float64) (sum float64) {
	for i := range b {
		sum += b[i].Weight * b[i].Weibull.Survival(age)
	}
	return sum
}
