package fleet

import (
	"iter"
	"slices"
)

// parted is a list in the order of a comparison by which no two of it are equal. It does
// not change: a list with changes has a copy of those parts in which something has changed,
// and shares the others with the list before. So a change costs about the same in a list
// of any length, and what differs between two lists is found by looking at what they do not
// share.
type parted[T comparable] struct {
	compare func(a, b T) int
	parts   [][]T // none of them empty
	length  int
}

// partSize is how many a part holds at most.
const partSize = 512

func newParted[T comparable](compare func(a, b T) int) parted[T] { return parted[T]{compare: compare} }

// all yields them in order.
func (p parted[T]) all(yield func(T) bool) {
	for _, part := range p.parts {
		for _, one := range part {
			if !yield(one) {
				return
			}
		}
	}
}

// place is the part where something is, or would be; to compares one of the list with it.
func (p parted[T]) place(to func(one T) int) int {
	at, found := slices.BinarySearchFunc(p.parts, 0, func(part []T, _ int) int { return to(part[0]) })
	if !found && at > 0 {
		at--
	}
	return at
}

// find returns the one that is equal to what to compares it with.
func (p parted[T]) find(to func(one T) int) (one T, found bool) {
	if len(p.parts) == 0 {
		return one, false
	}
	part := p.parts[p.place(to)]
	at, found := slices.BinarySearchFunc(part, 0, func(one T, _ int) int { return to(one) })
	if !found {
		return one, false
	}
	return part[at], true
}

// with is the list without some of it and with others.
func (p parted[T]) with(gone, come []T) parted[T] {
	type change struct{ gone, come []T }
	changes := map[int]*change{}
	at := func(one T) *change {
		n := 0
		if len(p.parts) > 0 {
			n = p.place(func(other T) int { return p.compare(other, one) })
		}
		if changes[n] == nil {
			changes[n] = &change{}
		}
		return changes[n]
	}
	for _, one := range gone {
		c := at(one)
		c.gone = append(c.gone, one)
	}
	for _, one := range come {
		c := at(one)
		c.come = append(c.come, one)
	}
	next := newParted(p.compare)
	next.parts = make([][]T, 0, len(p.parts)+len(come)/partSize+1)
	for n := range max(len(p.parts), 1) {
		var part []T
		if n < len(p.parts) {
			part = p.parts[n]
		}
		c := changes[n]
		if c == nil {
			next.put(part, false)
			continue
		}
		next.put(p.changed(part, c.gone, c.come), true)
	}
	return next
}

// changed is a copy of a part with its changes.
func (p parted[T]) changed(part, gone, come []T) []T {
	out := make([]T, 0, len(part)+len(come))
	slices.SortFunc(gone, p.compare)
	for _, one := range part {
		if len(gone) > 0 && p.compare(gone[0], one) == 0 {
			gone = gone[1:]
			continue
		}
		out = append(out, one)
	}
	out = append(out, come...)
	slices.SortFunc(out, p.compare)
	return out
}

// put adds a part at the end: in pieces where it is too large, and together with the last
// one where one of them has changed and both are small.
func (p *parted[T]) put(part []T, changed bool) {
	p.length += len(part)
	if n := len(p.parts); changed && n > 0 && len(p.parts[n-1])+len(part) <= partSize/2 {
		p.parts[n-1] = slices.Concat(p.parts[n-1], part)
		return
	}
	pieces := (len(part) + partSize - 1) / partSize
	for piece := range pieces {
		p.parts = append(p.parts, part[piece*len(part)/pieces:(piece+1)*len(part)/pieces:(piece+1)*len(part)/pieces])
	}
}

// differing yields those of either list that the other does not have, in order: of two that
// are equal in this order but not the same, the newer.
func (p parted[T]) differing(before parted[T]) iter.Seq[T] {
	return func(yield func(T) bool) {
		now, then := cursor[T]{parts: p.parts}, cursor[T]{parts: before.parts}
		for {
			for now.shares(then) {
				now.skip()
				then.skip()
			}
			a, there := now.at()
			b, was := then.at()
			order := 0
			switch {
			case !there && !was:
				return
			case !was:
				order = -1
			case !there:
				order = 1
			default:
				order = p.compare(a, b)
			}
			differs := order != 0 || a != b
			if order > 0 {
				a = b
			}
			if differs && !yield(a) {
				return
			}
			if order <= 0 {
				now.next()
			}
			if order >= 0 {
				then.next()
			}
		}
	}
}

// cursor is a place in the parts of a list.
type cursor[T comparable] struct {
	parts [][]T
	in    int // the first part
}

func (c *cursor[T]) at() (one T, there bool) {
	if len(c.parts) == 0 {
		return one, false
	}
	return c.parts[0][c.in], true
}

func (c *cursor[T]) next() {
	if c.in++; c.in == len(c.parts[0]) {
		c.skip()
	}
}

// skip goes to the next part.
func (c *cursor[T]) skip() { c.parts, c.in = c.parts[1:], 0 }

// shares says whether both are at the beginning of a part that their lists share.
func (c *cursor[T]) shares(other cursor[T]) bool {
	if c.in != 0 || other.in != 0 || len(c.parts) == 0 || len(other.parts) == 0 {
		return false
	}
	a, b := c.parts[0], other.parts[0]
	return len(a) == len(b) && &a[0] == &b[0]
}
