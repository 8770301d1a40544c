package fleet

import (
	"cmp"
	"slices"

	"arcdrift/drift/advise"
)

// need says how much a machine needs somebody: by state, then by how soon the pair is
// likely to fail, then by name.
type need struct {
	rank    int
	left    float64
	machine string
}

func needOf(a *advise.Assessment) need {
	n := need{slices.Index(advise.States(), a.State), 2 * float64(a.Electrode.HorizonArcs), a.Machine}
	if q := a.Electrode.ToFailure; q != nil {
		n.left = q.P10
	}
	return n
}

func (n *need) compare(with *need) int {
	return cmp.Or(cmp.Compare(n.rank, with.rank), cmp.Compare(n.left, with.left), cmp.Compare(n.machine, with.machine))
}

// worstFirst sorts answers by need.
func worstFirst(all []advise.Assessment) {
	// Answers are large: their needs are sorted, and each answer is moved once.
	type place struct {
		need
		at int
	}
	places := make([]place, len(all))
	for i := range all {
		places[i] = place{needOf(&all[i]), i}
	}
	slices.SortFunc(places, func(a, b place) int { return a.compare(&b.need) })
	was := slices.Clone(all)
	for i, p := range places {
		all[i] = was[p.at]
	}
}
