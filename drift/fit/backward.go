package fit

import (
	"math"
	"math/rand/v2"
)

// Backward is the distribution of an earlier state given a later one, both of n
// components: normal, its mean linear in the later state. With it a course of
// states is drawn from the last to the first: forward filtering, backward sampling
// (Carter & Kohn 1994, Biometrika 81:541; Frühwirth-Schnatter 1994, J. Time Series
// Anal. 15:183). Its mean and covariance are those of the fixed-interval smoother
// (Rauch, Tung & Striebel 1965, AIAA J. 3:1445) for one step:
//
//	x | z ~ N(m + G·(z − μ), P − G·S·Gᵀ),  G = C·S⁻¹
//
// with z ~ N(μ, S), x ~ N(m, P) and C = Cov(x, z). Components of z that are known
// exactly, or follow from others, tell nothing more and are passed over.
type Backward struct {
	n         int
	at, later []float64 // means of the earlier and of the later state
	gain      []float64 // n×n, row by row
	root      []float64 // lower triangular root of the covariance left, n×n
}

// NewBackward takes the joint distribution of a later state, its first n
// components, and an earlier one, the n components behind them.
func NewBackward(joint *Normal, n int) Backward {
	all := len(joint.Mean)
	block := make([]float64, 2*n+2*n*n)
	b := Backward{n: n, later: block[:n:n], at: block[n : 2*n : 2*n], gain: block[2*n : 2*n+n*n : 2*n+n*n], root: block[2*n+n*n:]}
	copy(b.later, joint.Mean[:n])
	copy(b.at, joint.Mean[n:2*n])
	var scratch [3 * stackSize * stackSize]float64
	work := scratch[:]
	if 3*n*n > len(work) {
		work = make([]float64, 3*n*n)
	}
	s, half, left := work[:n*n], work[n*n:2*n*n], work[2*n*n:3*n*n]
	for i := range n {
		copy(s[i*n:(i+1)*n], joint.Cov[i*all:i*all+n])
		copy(left[i*n:(i+1)*n], joint.Cov[(n+i)*all+n:(n+i)*all+2*n])
	}
	Root(s, n)
	for x := range n { // half = C·L⁻ᵀ, row by row
		for j := range n {
			sum := joint.Cov[(n+x)*all+j]
			for k := range j {
				sum -= half[x*n+k] * s[j*n+k]
			}
			half[x*n+j] = over(sum, s[j*n+j])
		}
		for j := n - 1; j >= 0; j-- { // gain = half·L⁻¹
			sum := half[x*n+j]
			for k := j + 1; k < n; k++ {
				sum -= b.gain[x*n+k] * s[k*n+j]
			}
			b.gain[x*n+j] = over(sum, s[j*n+j])
		}
	}
	for x := range n {
		for y := range n {
			for k := range n {
				left[x*n+y] -= half[x*n+k] * half[y*n+k]
			}
		}
	}
	Root(left, n)
	copy(b.root, left)
	return b
}

// over divides by the diagonal of a root; where that is 0 nothing is told.
func over(x, diagonal float64) float64 {
	if diagonal == 0 {
		return 0
	}
	return x / diagonal
}

// Root replaces a covariance (n×n, row by row) by its lower triangular root L with
// L·Lᵀ the covariance: Cholesky's decomposition for semidefinite matrices. A
// component that follows from those before it, to one part in 10⁹, gets a column of
// zeros. What stands above the diagonal is set to 0.
func Root(cov []float64, n int) {
	const rounding = 1e-9
	for j := range n {
		own := cov[j*n+j]
		d := own
		for k := range j {
			d -= cov[j*n+k] * cov[j*n+k]
		}
		if d <= rounding*own || d <= 0 {
			d = 0
		}
		d = math.Sqrt(d)
		cov[j*n+j] = d
		for i := j + 1; i < n; i++ {
			sum := cov[i*n+j]
			for k := range j {
				sum -= cov[i*n+k] * cov[j*n+k]
			}
			cov[i*n+j] = over(sum, d)
		}
		clear(cov[j*n+j+1 : (j+1)*n])
	}
}

// Mean writes the mean of the earlier state, given the later one, into to.
func (b *Backward) Mean(later, to []float64) {
	n := b.n
	var scratch [stackSize]float64
	off := scratch[:min(n, stackSize)]
	if n > stackSize {
		off = make([]float64, n)
	}
	for j := range off {
		off[j] = later[j] - b.later[j]
	}
	for i := range n {
		sum := b.at[i]
		for j, g := range b.gain[i*n : i*n+n] {
			sum += g * off[j]
		}
		to[i] = sum
	}
}

// Draw draws an earlier state, given the later one, into to.
func (b *Backward) Draw(later, to []float64, rng *rand.Rand) {
	b.Mean(later, to)
	n := b.n
	for j := range n {
		if b.root[j*n+j] == 0 {
			continue
		}
		z := rng.NormFloat64()
		for i := j; i < n; i++ {
			to[i] += b.root[i*n+j] * z
		}
	}
}
