package ledger

import (
	"cmp"
	"slices"
)

// A Range is positions of a journal, To exclusive.
type Range struct{ From, To uint64 }

// Empty tells whether no position is in it.
func (r Range) Empty() bool { return r.From >= r.To }

// Len is how many positions are in it.
func (r Range) Len() uint64 {
	if r.Empty() {
		return 0
	}
	return r.To - r.From
}

// ranges are positions as ascending ranges that neither overlap nor touch.
type ranges []Range

// at is the index of the first range that ends at p or after it.
func (s ranges) at(p uint64) int {
	i, _ := slices.BinarySearchFunc(s, p, func(r Range, p uint64) int { return cmp.Compare(r.To, p) })
	return i
}

// add takes in the positions of r.
func (s *ranges) add(r Range) {
	if r.Empty() {
		return
	}
	i := s.at(r.From)
	j := i
	for j < len(*s) && (*s)[j].From <= r.To {
		r.From, r.To = min(r.From, (*s)[j].From), max(r.To, (*s)[j].To)
		j++
	}
	*s = slices.Replace(*s, i, j, r)
}

// remove takes out the positions of r.
func (s *ranges) remove(r Range) {
	if r.Empty() {
		return
	}
	i := s.at(r.From)
	if i < len(*s) && (*s)[i].To == r.From {
		i++
	}
	var left [2]Range
	n, j := 0, i
	for j < len(*s) && (*s)[j].From < r.To {
		if x := (Range{(*s)[j].From, r.From}); !x.Empty() {
			left[n] = x
			n++
		}
		if x := (Range{r.To, (*s)[j].To}); !x.Empty() {
			left[n] = x
			n++
		}
		j++
	}
	*s = slices.Replace(*s, i, j, left[:n]...)
}

// missing calls each for the stretches of r that are not in s, in order, until it returns false.
func (s ranges) missing(r Range, each func(Range) bool) {
	for i := s.at(r.From); !r.Empty(); i++ {
		if i >= len(s) || s[i].From >= r.To {
			each(r)
			return
		}
		if s[i].From > r.From && !each(Range{r.From, s[i].From}) {
			return
		}
		r.From = max(r.From, s[i].To)
	}
}

// touches tells whether r overlaps or touches one of them.
func (s ranges) touches(r Range) bool {
	i := s.at(r.From)
	return i < len(s) && s[i].From <= r.To
}

// reach is the end of the positions that follow p without a hole: p itself where it is missing.
func (s ranges) reach(p uint64) uint64 {
	i := s.at(p)
	if i < len(s) && s[i].To == p {
		i++ // it ends just before p
	}
	if i < len(s) && s[i].From <= p {
		return s[i].To
	}
	return p
}
