package fit

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
)

// Life is one lifetime, perhaps right-censored and left-truncated. Ages are in one unit
// of the caller's.
type Life struct {
	Length float64 // age at its end, or when last observed; above 0
	Ended  bool    // false: it goes on at Length (right-censored)
	From   float64 // age from which it was observed (left-truncated); 0 for the start
	Weight float64 // number of such lives; 0 counts as 1
}

func (l Life) weight() float64 {
	if l.Weight == 0 {
		return 1
	}
	return l.Weight
}

func checkLives(lives []Life) error {
	for i, l := range lives {
		if !(l.Length > 0) || math.IsInf(l.Length, 1) || !(l.From >= 0 && l.From < l.Length) || !(l.Weight >= 0) || math.IsInf(l.Weight, 1) {
			return fmt.Errorf("life %d, from age %g to %g with weight %g, must end after it begins, with a finite weight", i+1, l.From, l.Length, l.Weight)
		}
	}
	if len(lives) == 0 {
		return errors.New("an estimate needs at least one life")
	}
	return nil
}

// LifeTable is the estimate of the survival function by Kaplan & Meier (1958, J. Am.
// Stat. Assoc. 53:457).
type LifeTable struct {
	ages     []float64 // at which lives ended, rising
	survival []float64 // share that outlives each
	greenSum []float64 // Σ d/(r·(r − d)), of Greenwood's variance
	Last     float64   // greatest age at which a life was observed
}

// NewLifeTable estimates the table from right-censored and left-truncated lives, at
// least one. The error names a life that is not valid.
func NewLifeTable(lives []Life) (LifeTable, error) {
	if err := checkLives(lives); err != nil {
		return LifeTable{}, err
	}
	byLength := slices.Clone(lives)
	slices.SortFunc(byLength, func(a, b Life) int { return cmp.Compare(a.Length, b.Length) })
	byFrom := slices.Clone(lives)
	slices.SortFunc(byFrom, func(a, b Life) int { return cmp.Compare(a.From, b.From) })
	t := LifeTable{Last: byLength[len(byLength)-1].Length}
	var entered, left float64
	s, green, next := 1.0, 0.0, 0
	for i := 0; i < len(byLength); {
		age := byLength[i].Length
		for ; next < len(byFrom) && byFrom[next].From < age; next++ {
			entered += byFrom[next].weight()
		}
		risk, ends := entered-left, 0.0
		for ; i < len(byLength) && byLength[i].Length == age; i++ {
			w := byLength[i].weight()
			left += w
			if byLength[i].Ended {
				ends += w
			}
		}
		if ends == 0 {
			continue
		}
		if ends >= risk*(1-1e-12) { // the last one, up to rounding
			s, green = 0, math.Inf(1)
		} else {
			s *= 1 - ends/risk
			green += ends / (risk * (risk - ends))
		}
		t.ages, t.survival, t.greenSum = append(t.ages, age), append(t.survival, s), append(t.greenSum, green)
	}
	return t, nil
}

// Survival returns the share of lives longer than an age, and its standard error by
// Greenwood's formula (0 where the share is 1 or 0). Beyond the last age observed the
// share stays what it was there.
func (t LifeTable) Survival(age float64) (share, se float64) {
	i := sort.Search(len(t.ages), func(i int) bool { return t.ages[i] > age }) - 1
	if i < 0 {
		return 1, 0
	}
	s := t.survival[i]
	if s == 0 {
		return 0, 0
	}
	return s, s * math.Sqrt(t.greenSum[i])
}

// Residual returns the p-quantile of the remaining life at an age: the least time
// within which the share p of the lives that reach the age ends. It is +Inf where the
// table does not reach: a smaller share was observed to end.
func (t LifeTable) Residual(age, p float64) float64 {
	now, _ := t.Survival(age)
	if now == 0 || math.IsNaN(p) {
		return math.Inf(1)
	}
	// 1e-12 allows for rounding, so that half of the lives counts as a half.
	want := (1 - p) * now * (1 + 1e-12)
	for i, s := range t.survival {
		if t.ages[i] > age && s <= want {
			return t.ages[i] - age
		}
	}
	return math.Inf(1)
}
