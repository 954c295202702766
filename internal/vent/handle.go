package vent

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Thresholds by which a hose point tells a press where no control point does, or against it. No source: chosen so
// that they lie over R5's limit and over the noise of gauges, and under any pressure that moves abrasive.
const (
	hoseUp      = 20 * si.KPa // from rest to this is a press
	hoseRest    = limit       // R5
	hoseFall    = 0.8         // of the highest of the last seconds: a release shows
	hosePlateau = 0.95        // of the same: the fall began after the last reading above this
	hoseAgain   = 1.25        // of the lowest since the fall, and hoseUp over it: a new press
	hoseLook    = 4 * time.Second
)

// control reads the handle from its own line or switch.
type control struct {
	known, pressed bool
	held           si.Instant // last sample that was clearly pressed: a release is reckoned from it
}

// step takes one good sample of the control point.
func (c *control) step(p *Pot, s points.Sample, v float64) {
	pressed := c.pressed && c.known
	if p.Electric {
		pressed = s.Pressed
	} else {
		on, off := p.Thresholds()
		over, under := v > float64(on), v < float64(off)
		if p.Inverse {
			over, under = under, over
		}
		switch {
		case over:
			pressed = true
		case under:
			pressed = false
		}
		// Between the thresholds a line that falls is already letting go.
		if pressed && !over {
			c.known = true
			c.pressed = true
			return
		}
	}
	if pressed {
		c.held = s.At
	}
	c.known, c.pressed = true, pressed
}

// hose infers presses from the blast hose.
type hose struct {
	state  hoseState
	lowest float64    // since the fall began
	rested si.Instant // last seen at rest
	began  si.Instant // of the last press: when it was last seen at rest
	ended  si.Instant // of the last release: when its fall began
}

type hoseState uint8

const (
	hoseUnknown hoseState = iota
	hoseAtRest
	hosePressed
	hoseFalling
)

// step takes the newest half-second mean; it tells of a press or a release that shows with it.
func (h *hose) step(t *trace) (pressed, released bool) {
	now := t.good
	switch h.state {
	case hoseUnknown, hoseAtRest:
		if now.half > hoseUp {
			began := h.state == hoseAtRest // else: seen for the first time, already up
			h.state, h.began = hosePressed, h.rested
			return began, false
		}
		if now.half <= hoseRest {
			h.state, h.rested = hoseAtRest, now.at
		}
	case hosePressed:
		// What stood before the press is no part of it: a press in the middle of a vent has not come to that again.
		_, highest, ok := t.halfAt(max(now.at.Add(-hoseLook), h.began), now.at)
		if ok && now.half < hoseFall*highest {
			h.state, h.lowest = hoseFalling, now.half
			h.ended = now.at
			for i := t.n - 1; i >= 0; i-- {
				if r := t.at(i); r.half >= hosePlateau*highest {
					h.ended = r.at
					break
				}
			}
			return false, true
		}
	case hoseFalling:
		h.lowest = min(h.lowest, now.half)
		switch {
		case now.half <= hoseRest:
			h.state, h.rested = hoseAtRest, now.at
		case now.half > hoseAgain*h.lowest+hoseUp:
			h.state, h.began = hosePressed, now.at
			return true, false
		}
	}
	return false, false
}
