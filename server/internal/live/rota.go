package live

import "time"

// turnPots are told together, at least: a page reads and draws them well within a frame of its screen, and each frame that it draws
// costs it something however little is new.
const turnPots = 40

// A rota says when what has changed of a connection's pots is told. A large site's are told in turns, so that a page never has all of
// them to read and to draw in one piece; each pot comes about as often as if all came together.
type rota struct {
	every time.Duration
	next  []time.Time // of each turn; pot i is of turn i % len(next)
}

// newRota is for so many pots that were all told at now.
func newRota(pots int, now time.Time) rota {
	r := rota{every: whole(pots)}
	n := max(1, min(pots/turnPots, int(r.every/lookEvery)))
	for i := range n {
		r.next = append(r.next, now.Add(r.every*time.Duration(i+1)/time.Duration(n)))
	}
	return r
}

// due lists the pots that are to be told of at now: those of the turns that have come, and of the others those that cannot wait for
// theirs, so that one pot that moves does not make a large site be told ten times a second. What is listed counts as told.
func (r *rota) due(marks, told map[string]mark, names []string, now time.Time) (pots []string) {
	spent := make([]bool, len(r.next))
	for i, name := range names {
		m, was, turn := marks[name], told[name], i%len(r.next)
		come := !now.Before(r.next[turn])
		if m.urgent == was.urgent && (m.version == was.version || !come) {
			continue
		}
		pots = append(pots, name)
		spent[turn] = spent[turn] || come
	}
	for turn, spent := range spent {
		if spent {
			r.putOff(turn, now)
		}
	}
	return pots
}

// putOff moves a turn that is told at now to its next instant. A page that was late once has all turns in one frame; were they counted
// from there, they would stay together for good. So each keeps its own beat, and comes after half to one and a half times the pause.
func (r *rota) putOff(turn int, now time.Time) {
	if len(r.next) == 1 {
		r.next[turn] = now.Add(r.every)
		return
	}
	late := now.Add(r.every / 2).Sub(r.next[turn])
	r.next[turn] = r.next[turn].Add(r.every * (late/r.every + 1))
}
