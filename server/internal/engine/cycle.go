package engine

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Cycle is one press of the handle and the vent after it.
type Cycle struct {
	Press, Release si.Instant
	Inferred       bool // told by the hose point, for want of a control point
	Vent           Vent
	Abrasive       si.Mass // that went through the metering valve; 0: not known
	Contents       Contents
}

// Contents are what the vessel held over a cycle, shares of its capacity. The zero value is none: it is not known.
type Contents struct {
	Before    si.Ratio // at the press: what was left, and what went through the metering valve
	Left      si.Ratio // at the cycle's end
	Low, High si.Ratio // 80 % interval of Left
}

// Known tells whether they are.
func (c Contents) Known() bool { return c.High > 0 }

// Blast is how long the handle was pressed.
func (c Cycle) Blast() time.Duration { return c.Release.Sub(c.Press) }

// A Vent is the blowdown after a release.
type Vent struct {
	From si.GaugePressure // vessel at the release
	// Tau is the time constant of the choked part through the exhaust alone, s, as if the air kept 293.15 K and filled the
	// vessel's whole volume; 0: too few readings, or too little pressure, to tell.
	Tau float64
	// Settled is the time from the release to the first 3 s within the limit; 0: the next press came before.
	Settled  time.Duration
	Residual si.GaugePressure // mean of those 3 s
}

// An Envelope is the slowest healthy vent that a vent was judged by: the vessel's absolute pressure falls from that of From as
// exp(-Rate t), with the time t since Open in s, while it is over DownTo; from Tail on, where that is not 0, at TailRate. The zero value is
// none: the vent was not timed, or nobody kept it.
type Envelope struct {
	From     si.GaugePressure
	Open     time.Duration // from the release to a wide open exhaust at the latest
	Rate     float64       // 1/s
	Tail     si.GaugePressure
	TailRate float64 // 1/s
	DownTo   si.GaugePressure
	Ambient  si.AbsPressure
}

// Numbers of a vent's figures.
const (
	exhaustOpen = 500 * time.Millisecond // after the release: the valves have moved
	chokedOver  = 2.2                    // vessel over ambient, absolute: choked for every exhaust of b up to 0.45
	fitLeast    = 5                      // readings
	fitTime     = 300 * time.Millisecond
	settledFor  = 3 * time.Second

	// Air leaves a choked nozzle as m = K p A / sqrt(T): see package airflow.
	nozzleFlow = 0.0404149 // s sqrt(K)/m
	gasR       = 287.05    // J/(kg K)
	rootT      = 17.1216   // sqrt(293.15 K)
)

// cycle follows the press or vent that goes on.
type cycle struct {
	on       bool // a press that began in sight, or the vent after it
	released bool
	cycle    Cycle
	fit      line
	nozzle   float64    // sum of the nozzle's share of the rate, 1/s
	last     si.Instant // vessel reading before
	within   si.Instant
	sum      float64
	n        int
}

// line is a straight line through readings by least squares.
type line struct {
	n              int
	first, last    float64
	t, tt, ln, tln float64
}

func (l *line) add(t, ln float64) {
	if l.n == 0 {
		l.first = t
	}
	t -= l.first
	l.n, l.last = l.n+1, t
	l.t += t
	l.tt += float64(t * t)
	l.ln += ln
	l.tln += float64(t * ln)
}

// falls is how fast the line falls, 1/s.
func (l *line) falls() (float64, bool) {
	if l.n < fitLeast || l.last < fitTime.Seconds() {
		return 0, false
	}
	n := float64(l.n)
	return -(l.tln - float64(l.t*l.ln)/n) / (l.tt - float64(l.t*l.t)/n), true
}

// followCycle takes the handle and, where vessel is set, a good vessel reading of the newest sample.
func (e *Engine) followCycle(h vent.Handle, vessel bool, at si.Instant, v float64) {
	c := &e.cycle
	switch {
	case !h.Known:
		c.on = false
		return
	case h.Since != 0 && (h.Since == c.cycle.Press && !h.Pressed || h.Since == c.cycle.Release && h.Pressed):
		// While control fails the hose tells of the handle, and may be behind: nothing has turned.
	case h.Pressed && (!c.on || c.released):
		if c.on {
			e.complete()
		}
		*c = cycle{on: h.Since != 0, cycle: Cycle{Press: h.Since, Inferred: h.Inferred}}
	case !h.Pressed && c.on && !c.released:
		p, ok := e.vessel.mean(0, halfSecond)
		if !ok || h.Since < c.cycle.Press {
			c.on = false
			return
		}
		c.released = true
		c.cycle.Release, c.cycle.Vent.From = h.Since, si.GaugePressure(p)
	}
	if vessel && c.on && c.released {
		e.followVent(at, v)
	}
}

func (e *Engine) followVent(at si.Instant, v float64) {
	c := &e.cycle
	if c.last != 0 && at.Sub(c.last) > e.params.fresh() {
		c.on = false // what came between is not known
		return
	}
	c.last = at
	since := at.Sub(c.cycle.Release)
	ambient := float64(e.params.Ambient)
	if p := v + ambient; since >= exhaustOpen && p > chokedOver*ambient && c.within == 0 {
		c.fit.add(since.Seconds(), math.Log(p))
		c.nozzle += e.nozzleShare(p)
	}
	mean, ok := e.vessel.mean(0, halfSecond)
	if !ok || mean > restUnder {
		c.within = 0
		return
	}
	if c.within == 0 {
		c.within, c.sum, c.n = at, 0, 0
	}
	c.sum += v
	c.n++
	if at.Sub(c.within) >= settledFor {
		c.cycle.Vent.Settled = max(time.Microsecond, c.within.Sub(c.cycle.Release))
		c.cycle.Vent.Residual = si.GaugePressure(c.sum / float64(c.n))
		e.complete()
	}
}

// nozzleShare is the rate, 1/s, at which the nozzle alone lowers a vessel full of air that stands at the absolute
// pressure p. The nozzle's own pressure, else the hose's, tells what flows there.
func (e *Engine) nozzleShare(p float64) float64 {
	if e.params.Nozzle == 0 || e.params.Volume == 0 {
		return 0
	}
	inlet, ok := e.good(points.Nozzle)
	if !ok {
		if inlet, ok = e.good(points.Hose); !ok {
			return 0
		}
	}
	return gasR * rootT * nozzleFlow * float64(si.CircleArea(e.params.Nozzle)) / float64(e.params.Volume) * (inlet + float64(e.params.Ambient)) / p
}

// complete hands the cycle on.
func (e *Engine) complete() {
	c := &e.cycle
	if rate, ok := c.fit.falls(); ok {
		if rate -= c.nozzle / float64(c.fit.n); rate > 0 {
			c.cycle.Vent.Tau = 1 / rate
		}
	}
	e.out.Cycle = c.cycle
	e.out.Cycles++
	c.on = false
}
