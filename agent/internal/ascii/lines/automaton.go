package lines

import (
	"errors"
	"regexp/syntax"
)

// The questions about patterns here are answered by walking every line that a pattern can match, a character at a
// time, two patterns (or the same one twice) side by side. Assertions such as \b are taken as true, so that the answer
// errs towards yes.

// Bounds of such a walk.
const (
	maxInst  = 300
	maxSides = 20_000
	maxSteps = 1_000_000
)

var errInvolved = errors.New("is too involved; use fewer repeats and choices")

// program compiles a tree; the tree stays as it is.
func program(tree *syntax.Regexp) (*syntax.Prog, error) {
	again, err := syntax.Parse(tree.String(), syntax.Perl)
	if err != nil {
		return nil, err
	}
	prog, err := syntax.Compile(again.Simplify())
	if err != nil {
		return nil, err
	}
	if len(prog.Inst) > maxInst {
		return nil, errInvolved
	}
	return prog, nil
}

// A thread is one way of being somewhere in a program.
type thread struct {
	pc    uint32
	in    bool // within the group that is looked at
	begun bool // and past its leading blanks
	check bool // within the check characters
}

// A walker walks one program with an eye on a group and on the check characters.
type walker struct {
	prog         *syntax.Prog
	group, check int
	next         map[thread][]thread // what ready found
	seen         map[thread]bool
}

func newWalker(prog *syntax.Prog, group, check int) *walker {
	return &walker{prog: prog, group: group, check: check, next: make(map[thread][]thread)}
}

// ready lists the threads at t's next characters, or at the end of the line. It is empty where t leads nowhere.
func (w *walker) ready(t thread) []thread {
	out, ok := w.next[t]
	if !ok {
		w.seen = make(map[thread]bool)
		out = w.follow(nil, t)
		w.next[t] = out
	}
	return out
}

func (w *walker) follow(dst []thread, t thread) []thread {
	if w.seen[t] {
		return dst
	}
	w.seen[t] = true
	inst := &w.prog.Inst[t.pc]
	switch inst.Op {
	case syntax.InstFail:
		return dst
	case syntax.InstAlt, syntax.InstAltMatch:
		other := t
		t.pc, other.pc = inst.Out, inst.Arg
		return w.follow(w.follow(dst, t), other)
	case syntax.InstCapture:
		if w.group != 0 && int(inst.Arg)/2 == w.group {
			t.in, t.begun = inst.Arg%2 == 0, false
		}
		if w.check != 0 && int(inst.Arg)/2 == w.check {
			t.check = inst.Arg%2 == 0
		}
		fallthrough
	case syntax.InstNop, syntax.InstEmptyWidth:
		t.pc = inst.Out
		return w.follow(dst, t)
	}
	return append(dst, t)
}

func (w *walker) ended(t thread) bool { return w.prog.Inst[t.pc].Op == syntax.InstMatch }

// take lets a ready thread take a character; mine tells whether the character belongs to the group.
func (w *walker) take(t thread, c byte) (next thread, mine, ok bool) {
	inst := &w.prog.Inst[t.pc]
	if inst.Op == syntax.InstMatch || !matches(inst, c) {
		return t, false, false
	}
	mine = t.in && (t.begun || !isBlank(c))
	t.pc, t.begun = inst.Out, mine
	return t, mine, true
}

func matches(inst *syntax.Inst, c byte) bool {
	switch inst.Op {
	case syntax.InstRuneAny, syntax.InstRuneAnyNotNL:
		return true
	}
	return inst.MatchRune(rune(c))
}

// literal tells whether the instruction takes one character alone, small and capital letters aside.
func literal(inst *syntax.Inst) bool {
	return inst.Op == syntax.InstRune1 || inst.Op == syntax.InstRune && len(inst.Rune) == 1
}

// alphabet picks one of each kind of character that the programs tell apart.
func alphabet(progs ...*syntax.Prog) []byte {
	var out []byte
	known := make(map[string]bool)
	for c := byte('\t'); c <= '~'; c++ {
		if c != '\t' && c < ' ' {
			continue
		}
		sign := []byte{0}
		switch {
		case isDigit(c):
			sign[0] = 1
		case isLetter(c):
			sign[0] = 2
		case isBlank(c):
			sign[0] = 3
		case c == '.' || c == ',' || c == '-' || c == '+':
			sign[0] = c
		}
		for _, p := range progs {
			for i := range p.Inst {
				switch p.Inst[i].Op {
				case syntax.InstRune, syntax.InstRune1:
					if matches(&p.Inst[i], c) {
						sign = append(sign, byte(i), byte(i>>8))
					}
				}
			}
			sign = append(sign, 0xFF, 0xFF)
		}
		if !known[string(sign)] {
			known[string(sign)] = true
			out = append(out, c)
		}
	}
	return out
}

// side is two threads side by side, and whether they disagreed on what belongs to the group.
type side struct {
	a, b   thread
	differ bool
}

// walk goes through all lines that both walkers match and tells whether one is accepted at its end.
func walk(a, b *walker, accept func(side) bool) (bool, error) {
	chars := alphabet(a.prog, b.prog)
	start := side{a: thread{pc: uint32(a.prog.Start)}, b: thread{pc: uint32(b.prog.Start)}}
	queue := []side{start}
	known := map[side]bool{start: true}
	for steps := 0; len(queue) > 0; {
		s := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		as, bs := a.ready(s.a), b.ready(s.b)
		for _, ta := range as {
			for _, tb := range bs {
				if steps += len(chars); steps > maxSteps || len(known) > maxSides {
					return true, errInvolved
				}
				if a.ended(ta) && b.ended(tb) && accept(s) {
					return true, nil
				}
				for _, c := range chars {
					na, mineA, ok := a.take(ta, c)
					if !ok {
						continue
					}
					nb, mineB, ok := b.take(tb, c)
					next := side{na, nb, s.differ || mineA != mineB}
					if !ok || known[next] {
						continue
					}
					known[next] = true
					queue = append(queue, next)
				}
			}
		}
	}
	return false, nil
}

// overlap tells whether a line may exist that both programs match; true beside an error.
func overlap(a, b *syntax.Prog) (bool, error) {
	return walk(newWalker(a, 0, 0), newWalker(b, 0, 0), func(side) bool { return true })
}

// ambiguous tells whether a line exists out of which the group can be taken in two ways, leading blanks aside.
func ambiguous(prog *syntax.Prog, group int) (bool, error) {
	return walk(newWalker(prog, group, 0), newWalker(prog, group, 0), func(s side) bool { return s.differ })
}

// A cut says what a group may leave outside.
type cut uint8

const (
	noCut cut = iota
	cutPart
	cutSign
)

// place is a thread and what it has just passed.
type place struct {
	thread
	part  bool // the character before is part of a number (or a word), and the pattern leaves open which
	minus bool // a minus sign that the pattern leaves open, blanks behind it
	mine  bool // the character before belongs to the group
}

// cuts tells whether a line exists in which a part (of a number, of a word) touches the group from outside. Digits
// and letters in front that the pattern gives one by one are no harm: an address. Check characters may follow.
func cuts(prog *syntax.Prog, group, check int, part func(byte) bool) cut {
	w := newWalker(prog, group, check)
	chars := alphabet(prog)
	start := place{thread: thread{pc: uint32(prog.Start)}}
	queue := []place{start}
	known := map[place]bool{start: true}
	for len(queue) > 0 {
		s := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		for _, t := range w.ready(s.thread) {
			for _, c := range chars {
				to, mine, ok := w.take(t, c)
				if !ok {
					continue
				}
				open := !literal(&prog.Inst[t.pc]) || !isDigit(c) && !isLetter(c) && c != '-'
				switch {
				case mine && !s.mine && part(c) && s.part, !mine && s.mine && part(c) && !t.check:
					return cutPart
				case mine && !s.mine && isDigit(c) && s.minus:
					return cutSign
				}
				next := place{thread: to, mine: mine, part: !mine && part(c) && open,
					minus: !mine && (c == '-' && open || s.minus && isBlank(c))}
				if !known[next] {
					known[next] = true
					queue = append(queue, next)
				}
			}
		}
	}
	return noCut
}
