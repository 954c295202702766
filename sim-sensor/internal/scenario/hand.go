package scenario

import (
	"time"

	"gritwatch/protocol/si"
)

// A hand plays the cycle of a script.
type hand struct {
	script  *Script
	begun   bool
	pressed bool
	refill  bool
	next    time.Duration // of the next press or release
}

// move is whether the operator holds the handle and the tender pours, at a time that never goes back.
func (h *hand) move(at time.Duration, level si.Ratio) (pressed, refill bool) {
	c := h.script.Cycle
	if c == nil {
		return false, false
	}
	if !h.begun {
		h.begun, h.next = true, max(c.Start, Tick)
	}
	if at < h.next {
		return h.pressed, h.refill
	}
	h.pressed = !h.pressed
	switch {
	case h.pressed:
		h.refill = false
		h.next += c.Press
	case level < c.RefillBelow:
		h.refill = true
		h.next += max(c.Rest, c.RefillPause)
	default:
		h.next += c.Rest
	}
	return h.pressed, h.refill
}
