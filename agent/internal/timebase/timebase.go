// Package timebase gives an agent's time: the wall clock as it stood at a start, carried on by the monotonic clock,
// so that no step of the wall clock bends a series of samples. Where the two part, a new epoch starts.
package timebase

import (
	"context"
	"sync/atomic"
	"time"

	"gritwatch/protocol/si"
)

// Apart is how far wall and monotonic time may part before a new epoch starts.
const Apart = time.Second

// Every is how often Run looks.
const Every = 250 * time.Millisecond

// Options of a clock; nil funcs are the machine's own.
type Options struct {
	Wall func() time.Time
	Mono func() time.Duration // since any fixed moment

	Changed func(by time.Duration) // a new epoch started; the wall clock had moved on by so much more than it should
}

// A Clock tells the time. Now and Epoch are safe for concurrent use.
type Clock struct {
	o    Options
	base atomic.Pointer[base]
}

// A base is where an epoch starts.
type base struct {
	at   si.Instant
	mono time.Duration
}

// New starts the first epoch.
func New(o Options) *Clock {
	if o.Wall == nil {
		o.Wall = func() time.Time { return time.Now().Round(0) }
	}
	if o.Mono == nil {
		start := time.Now()
		o.Mono = func() time.Duration { return time.Since(start) }
	}
	c := &Clock{o: o}
	c.base.Store(&base{si.InstantOf(o.Wall()), o.Mono()})
	return c
}

// Now is the time in the current epoch.
func (c *Clock) Now() si.Instant { return c.read(c.base.Load()) }

// Epoch names the current epoch: its first instant, us.
func (c *Clock) Epoch() uint64 { return uint64(c.base.Load().at) }

// Read is Now and Epoch, of the same epoch.
func (c *Clock) Read() (si.Instant, uint64) {
	b := c.base.Load()
	return c.read(b), uint64(b.at)
}

func (c *Clock) read(b *base) si.Instant { return b.at.Add(c.o.Mono() - b.mono) }

// Step compares wall and monotonic time, and starts a new epoch where they have parted. Called from one goroutine.
func (c *Clock) Step() (changed bool) {
	b := c.base.Load()
	wall, mono := si.InstantOf(c.o.Wall()), c.o.Mono()
	by := wall.Sub(b.at.Add(mono - b.mono))
	if by.Abs() <= Apart {
		return false
	}
	if wall == b.at {
		wall++ // an epoch has a name of its own
	}
	c.base.Store(&base{wall, mono})
	if c.o.Changed != nil {
		c.o.Changed(by)
	}
	return true
}

// Run looks often enough until ctx ends.
func (c *Clock) Run(ctx context.Context) error {
	t := time.NewTicker(Every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			c.Step()
		}
	}
}
