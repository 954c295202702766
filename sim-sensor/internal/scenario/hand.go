package scenario

import (
	"math"
	"math/rand/v2"
	"time"

	"gritwatch/protocol/si"
)

// A hand plays the cycle of a script.
type hand struct {
	cycle *Cycle // nil: none
	holds bool   // the pot holds its pressure
	rng   *rand.Rand

	does     deed
	begun    bool
	next     time.Duration // of the next press or release
	rested   time.Duration // end of the last break
	flowed   time.Duration // when abrasive last came, or had no cause to
	releases int
}

// A deed is what people do at a pot.
type deed struct {
	pressed  bool
	refill   si.Ratio // up to this level; 0: none
	blowdown bool
}

// move is what people do, at a time that never goes back. Dry says that no abrasive comes though the operator wants some.
func (h *hand) move(at time.Duration, level si.Ratio, dry bool) deed {
	c := h.cycle
	if c == nil {
		return deed{}
	}
	if !dry || !h.does.pressed {
		h.flowed = at
	}
	if c.Notices > 0 && at-h.flowed >= c.Notices {
		h.flowed, h.next = at, at
	}
	if !h.begun {
		h.begun, h.next = true, max(c.Start, Tick)
	}
	if at < h.next {
		return h.does
	}
	if !h.does.pressed {
		h.does = deed{pressed: true}
		h.next += h.vary(c.Press)
		return h.does
	}
	h.does = deed{}
	h.releases++
	rest := h.vary(c.Rest)
	if c.BreakEvery > 0 && at-h.rested >= c.BreakEvery {
		rest = c.BreakFor
		h.rested = at + rest
		h.does.blowdown = h.holds
	}
	if level < c.RefillBelow {
		h.does.refill, h.does.blowdown = h.fill(), h.holds
		rest = max(rest, c.RefillPause)
	}
	if c.Blowdown > 0 && h.releases%c.Blowdown == 0 {
		h.does.blowdown = h.holds
	}
	h.next += rest
	return h.does
}

// vary stretches or shortens a time as people do; never more than threefold.
func (h *hand) vary(d time.Duration) time.Duration {
	if h.cycle.Vary == 0 {
		return d
	}
	f := math.Exp(float64(h.cycle.Vary) * h.rng.NormFloat64())
	return max(Tick, time.Duration(float64(d)*min(3, max(1.0/3, f)))/Tick*Tick)
}

// fill is the level to which the tender pours.
func (h *hand) fill() si.Ratio {
	to := h.cycle.RefillTo
	switch {
	case to == 0:
		return 1
	case h.cycle.Vary > 0:
		return to + si.Ratio(float64(1-to)*h.rng.Float64())
	}
	return to
}
