package lines

import "regexp/syntax"

// guess is how often something is thought to be repeated that may be repeated without end.
const guess = 8

// huge keeps nested repeats from running over.
const huge = 1 << 20

// width is how many characters lines have that re matches. Lines are ASCII, so they are bytes. Bounded is false
// where the longest is a guess.
func width(re *syntax.Regexp) (low, high int, bounded bool) {
	bounded = true
	switch re.Op {
	case syntax.OpLiteral:
		return len(re.Rune), len(re.Rune), true
	case syntax.OpCharClass, syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		return 1, 1, true
	case syntax.OpCapture:
		return width(re.Sub[0])
	case syntax.OpConcat:
		for _, s := range re.Sub {
			l, h, b := width(s)
			low, high, bounded = min(low+l, huge), min(high+h, huge), bounded && b
		}
	case syntax.OpAlternate:
		for i, s := range re.Sub {
			l, h, b := width(s)
			if i == 0 {
				low = l
			}
			low, high, bounded = min(low, l), max(high, h), bounded && b
		}
	case syntax.OpStar, syntax.OpPlus, syntax.OpQuest, syntax.OpRepeat:
		from, to := times(re)
		l, h, b := width(re.Sub[0])
		if to < 0 {
			to, bounded = from+guess, h == 0
		}
		return min(from*l, huge), min(to*h, huge), bounded && b
	}
	return low, high, bounded
}

// times is how often a repeat's sub-expression stands in a match; to is below zero for no end.
func times(re *syntax.Regexp) (from, to int) {
	switch re.Op {
	case syntax.OpStar:
		return 0, -1
	case syntax.OpPlus:
		return 1, -1
	case syntax.OpQuest:
		return 0, 1
	}
	return re.Min, re.Max
}

// find is the capture of a group, nil where it is not in re.
func find(re *syntax.Regexp, group int) *syntax.Regexp {
	if re.Op == syntax.OpCapture && re.Cap == group {
		return re
	}
	for _, s := range re.Sub {
		if c := find(s, group); c != nil {
			return c
		}
	}
	return nil
}

// repeated tells whether a group stands within something that may stand more than once.
func repeated(re *syntax.Regexp, group int) bool {
	switch re.Op {
	case syntax.OpStar, syntax.OpPlus, syntax.OpRepeat:
		if _, to := times(re); to != 1 && find(re, group) != nil {
			return true
		}
	}
	for _, s := range re.Sub {
		if repeated(s, group) {
			return true
		}
	}
	return false
}
