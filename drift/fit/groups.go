package fit

import (
	"errors"
	"fmt"
	"math"
)

// Groups is the estimate of a quantity θ for each of n groups of a population, on an
// evenly spaced grid of G values of θ.
type Groups struct {
	Grid []float64   // G values of θ, rising
	Post [][]float64 // n×G probabilities of the values; each row sums to 1
	// Tau is the posterior mean of the standard deviation τ between groups.
	Tau float64
}

// HalfNormal returns n values of a standard deviation that are equally likely under a
// half-normal distribution of the given scale, above 0, in the unit of the scale: the
// medians of n parts of equal probability. It keeps few groups from showing a spread of
// nought. Source: Gelman (2006), Bayesian Analysis 1:515.
func HalfNormal(scale float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = scale * NormalQuantile((1+(float64(i)+0.5)/float64(n))/2)
	}
	return out
}

// PoolGroups takes the log-likelihood of θ for each group (n×G, at the values of the
// grid, up to a constant per group) and pools the groups partially:
//
//	θ_i ~ N(μ, τ²),  μ flat on the grid,  τ one of taus, all equally likely beforehand.
//
// The posterior is a sum over the grid of μ and the values of τ: nothing is taken as
// known. It is an error if the grid is not even and rising, a row has another length or
// no finite value, or a τ is not above 0.
// Source: Gelman et al., Bayesian Data Analysis (2013), section 5.4, with sums for the
// integrals.
func PoolGroups(grid []float64, logLik [][]float64, taus []float64) (Groups, error) {
	like, err := likelihoods(grid, logLik, taus)
	if err != nil {
		return Groups{}, err
	}
	size := len(grid)
	out := Groups{Grid: grid, Post: make([][]float64, len(like))}
	kernels := make([]kernel, len(taus))
	logPost := make([]float64, len(taus)*size) // of τ and μ
	for t, tau := range taus {
		kernels[t] = newKernel(grid, tau)
		for mu := range size {
			for _, row := range like {
				logPost[t*size+mu] += math.Log(kernels[t].mean(mu, row))
			}
		}
	}
	weights := normalised(logPost)
	for i, row := range like {
		prior := make([]float64, size)
		for t := range taus {
			for mu := range size {
				w := weights[t*size+mu]
				if w < 1e-12 { // together less than 1e-8 of the posterior
					continue
				}
				kernels[t].add(mu, w/kernels[t].mean(mu, row), prior)
			}
		}
		post, sum := prior, 0.0
		for g := range post {
			post[g] *= row[g]
			sum += post[g]
		}
		for g := range post {
			post[g] /= sum
		}
		out.Post[i] = post
	}
	for t, tau := range taus {
		for mu := range size {
			out.Tau += tau * weights[t*size+mu]
		}
	}
	return out, nil
}

// likelihoods checks the arguments of PoolGroups and returns the likelihoods, the
// greatest of each group 1.
func likelihoods(grid []float64, logLik [][]float64, taus []float64) ([][]float64, error) {
	if len(grid) < 3 || len(logLik) == 0 || len(taus) == 0 {
		return nil, errors.New("pooling needs a grid of three values, a group and a standard deviation")
	}
	step := (grid[len(grid)-1] - grid[0]) / float64(len(grid)-1)
	for i := 1; i < len(grid); i++ {
		if d := grid[i] - grid[i-1]; !(d > 0) || math.Abs(d-step) > 1e-6*step {
			return nil, errors.New("the grid must rise in equal steps")
		}
	}
	for _, tau := range taus {
		if !(tau > 0) || math.IsInf(tau, 1) {
			return nil, fmt.Errorf("a standard deviation between groups must be above 0, not %g", tau)
		}
	}
	like := make([][]float64, len(logLik))
	for i, row := range logLik {
		if len(row) != len(grid) {
			return nil, fmt.Errorf("group %d has %d likelihoods for %d values", i+1, len(row), len(grid))
		}
		top := math.Inf(-1)
		for _, l := range row {
			top = max(top, l)
		}
		if math.IsInf(top, 0) || math.IsNaN(top) {
			return nil, fmt.Errorf("group %d has no finite likelihood", i+1)
		}
		like[i] = make([]float64, len(row))
		for g, l := range row {
			like[i][g] = math.Exp(l-top) + 1e-300 // never 0, so that its logarithm is finite
		}
	}
	return like, nil
}

func normalised(logs []float64) []float64 {
	top, sum := math.Inf(-1), 0.0
	for _, l := range logs {
		top = max(top, l)
	}
	out := make([]float64, len(logs))
	for i, l := range logs {
		out[i] = math.Exp(l - top)
		sum += out[i]
	}
	for i := range out {
		out[i] /= sum
	}
	return out
}

// kernel holds a normal distribution of standard deviation τ around any value of the
// grid: half of its bell, as far as it matters.
type kernel struct {
	bell []float64
	norm []float64 // per mean, the bell cut at the ends of the grid
}

func newKernel(grid []float64, tau float64) kernel {
	step := grid[1] - grid[0]
	const far = 5 // standard deviations: beyond lies less than 1e-6
	k := kernel{norm: make([]float64, len(grid))}
	for d := range grid {
		z := float64(d) * step / tau
		if d > 0 && z > far {
			break
		}
		k.bell = append(k.bell, math.Exp(-z*z/2))
	}
	for mu := range grid {
		lo, hi := k.span(mu)
		for g := lo; g <= hi; g++ {
			k.norm[mu] += k.bell[absInt(g-mu)]
		}
	}
	return k
}

func (k *kernel) span(mu int) (lo, hi int) {
	return max(mu-len(k.bell)+1, 0), min(mu+len(k.bell)-1, len(k.norm)-1)
}

// mean is the mean of the values under the kernel around grid value mu.
func (k *kernel) mean(mu int, values []float64) float64 {
	lo, hi := k.span(mu)
	sum := 0.0
	for g := lo; g <= hi; g++ {
		sum += k.bell[absInt(g-mu)] * values[g]
	}
	return sum / k.norm[mu]
}

// add adds the kernel around grid value mu, times a weight, to sums.
func (k *kernel) add(mu int, weight float64, sums []float64) {
	lo, hi := k.span(mu)
	weight /= k.norm[mu]
	for g := lo; g <= hi; g++ {
		sums[g] += weight * k.bell[absInt(g-mu)]
	}
}

func absInt(i int) int { return max(i, -i) }

// Mean returns the posterior mean of group i.
func (p Groups) Mean(i int) float64 {
	sum := 0.0
	for g, x := range p.Grid {
		sum += x * p.Post[i][g]
	}
	return sum
}

// SD returns the posterior standard deviation of group i.
func (p Groups) SD(i int) float64 {
	mean, sum := p.Mean(i), 0.0
	for g, x := range p.Grid {
		sum += (x - mean) * (x - mean) * p.Post[i][g]
	}
	return math.Sqrt(sum)
}

// Quantile returns the q-quantile of group i, each value of the grid spread evenly over
// its step.
func (p Groups) Quantile(i int, q float64) float64 {
	step, below := p.Grid[1]-p.Grid[0], 0.0
	for g, x := range p.Grid {
		w := p.Post[i][g]
		if below+w >= q && w > 0 {
			return x + step*((q-below)/w-0.5)
		}
		below += w
	}
	return p.Grid[len(p.Grid)-1] + step/2
}

// Less returns group i minus an independent normal quantity of the given mean and
// standard deviation: the groups become differences from it. The grid stays; what leaves
// it is counted at its ends.
func (p Groups) Less(i int, mean, sd float64) []float64 {
	step, last := p.Grid[1]-p.Grid[0], len(p.Grid)-1
	out := make([]float64, len(p.Grid))
	// The distance in steps, as a normal distribution over whole steps.
	cdf := func(d float64) float64 {
		if sd == 0 {
			// A shift by a part of a step is shared between two neighbours.
			return min(max(d+0.5+mean/step, 0), 1)
		}
		return NormalCDF((d*step + mean) / sd)
	}
	const far = 6
	reach := int(math.Ceil((math.Abs(mean)+far*sd)/step)) + 1
	for d := -reach; d <= reach; d++ {
		w := cdf(float64(d)+0.5) - cdf(float64(d)-0.5)
		if w <= 0 {
			continue
		}
		for g := range p.Grid {
			to := min(max(g+d, 0), last)
			out[to] += w * p.Post[i][g]
		}
	}
	return out
}

// Above returns the probability that group i is above x.
func (p Groups) Above(i int, x float64) float64 {
	step, sum := p.Grid[1]-p.Grid[0], 0.0
	for g, at := range p.Grid {
		sum += p.Post[i][g] * min(max((at-x)/step+0.5, 0), 1)
	}
	return sum
}
