package journal

import (
	"slices"

	"gritwatch/agent/internal/journal/frame"
)

// holes are positions known to hold nothing: ranges in order, none empty, none touching another.
type holes []frame.Range

// within is how many positions from from up to to lie in holes.
func (h holes) within(from, to uint64) (n uint64) {
	for _, r := range h {
		if a, b := max(r.From, from), min(r.To, to); a < b {
			n += b - a
		}
	}
	return n
}

// add puts in a range, and joins what touches it.
func (h *holes) add(from, to uint64) {
	if from >= to {
		return
	}
	i := 0
	for i < len(*h) && (*h)[i].To < from {
		i++
	}
	k := i
	for k < len(*h) && (*h)[k].From <= to {
		from, to = min(from, (*h)[k].From), max(to, (*h)[k].To)
		k++
	}
	*h = slices.Replace(*h, i, k, frame.Range{From: from, To: to})
}

// cut forgets what lies before a position.
func (h *holes) cut(oldest uint64) {
	*h = slices.DeleteFunc(*h, func(r frame.Range) bool { return r.To <= oldest })
	if len(*h) > 0 {
		(*h)[0].From = max((*h)[0].From, oldest)
	}
}
