// Package clocks decides where in time the samples of an agent are stored whose clock is wrong. It is pure.
//
// A sample's time is what the agent's clock said: it is never corrected behind anybody's back. But a machine without a
// battery or a network may believe that it is 1970, or next year, and a history that holds samples of the future or of
// long ago can neither be drawn nor kept for a time. So each epoch of a clock, in which it runs on without a step, has one
// shift, decided once and kept for good: the stored time is the agent's time plus the shift, the agent's own can always be
// had back, and a sample that comes again finds itself. The shift is 0 for all clocks that are nearly right.
package clocks

import (
	"time"

	"gritwatch/protocol/si"
)

// Bounds of what is taken as it is.
const (
	nearlyRight = 30 * time.Minute   // a measured clock
	longAgo     = 6 * 24 * time.Hour // a sample of an epoch that nobody measured, into the past
	sinceThen   = time.Second        // between the last sample placed and the first of an epoch that nobody measured
	noneBefore  = 24 * time.Hour     // how far back such an epoch begins where nothing is known of what came before
	shiftStep   = time.Millisecond   // shifts are rounded, so that their noise shows nowhere
)

// A Placement is the shift of one epoch of an agent's clock.
type Placement struct {
	Agent     string
	Epoch     uint64        // Clock/Epoch
	Shift     time.Duration // added to the agent's time; whole microseconds
	Estimated bool          // nobody could measure the clock: only the order is right
}

type key struct {
	agent string
	epoch uint64
}

// Clocks are those of all agents. Not safe for concurrent use.
type Clocks struct {
	placed  map[key]Placement
	offset  map[key]time.Duration // measured, agent less server
	current map[string]uint64     // epochs that are going on
	newest  map[string]si.Instant // stored time of the newest sample placed, by agent
}

// New are clocks of which it was decided before where they stand.
func New(stored []Placement) *Clocks {
	c := &Clocks{placed: map[key]Placement{}, offset: map[key]time.Duration{}, current: map[string]uint64{}, newest: map[string]si.Instant{}}
	for _, p := range stored {
		c.placed[key{p.Agent, p.Epoch}] = p
	}
	return c
}

// Began notes the epoch in which an agent's clock is now.
func (c *Clocks) Began(agent string, epoch uint64) {
	was, ok := c.current[agent]
	if ok && was == epoch {
		return
	}
	delete(c.offset, key{agent, was})
	c.current[agent] = epoch
}

// Measured notes how far an agent's clock is ahead of the server's (less than 0: behind).
func (c *Clocks) Measured(agent string, epoch uint64, ahead time.Duration) {
	c.offset[key{agent, epoch}] = ahead
}

// Placed is the placement of an epoch, if it is decided.
func (c *Clocks) Placed(agent string, epoch uint64) (Placement, bool) {
	p, ok := c.placed[key{agent, epoch}]
	return p, ok
}

// Place decides where the samples of an epoch stand, from those that are there: first and last by the agent's clock, and now by the
// server's. It is false while it has to wait for a measurement. fresh tells that the decision was made now: a shift other than
// 0 must be stored before any sample is.
func (c *Clocks) Place(agent string, epoch uint64, first, last, now si.Instant) (p Placement, fresh, ok bool) {
	k := key{agent, epoch}
	if p, ok := c.placed[k]; ok {
		return p, false, true
	}
	p = Placement{Agent: agent, Epoch: epoch}
	ahead, measured := c.offset[k]
	switch current, known := c.current[agent]; {
	case measured && ahead.Abs() > nearlyRight:
		p.Shift = -ahead.Round(shiftStep)
	case measured:
	case known && current == epoch:
		return Placement{}, false, false // an echo is under way
	case first < now.Add(-longAgo) || last > now.Add(nearlyRight):
		begins, ok := c.newest[agent]
		if !ok {
			begins = now.Add(-noneBefore)
		}
		p.Shift, p.Estimated = begins.Add(sinceThen).Sub(first).Round(shiftStep), true
	}
	c.placed[k] = p
	return p, true, true
}

// Stored notes the stored time of a sample, which samples of an epoch that nobody measured may have to follow.
func (c *Clocks) Stored(agent string, at si.Instant) { c.newest[agent] = max(c.newest[agent], at) }
