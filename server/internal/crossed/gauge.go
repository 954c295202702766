package crossed

import (
	"time"

	"gritwatch/protocol/si"
)

// Numbers of a gauge's moves. Common practice, no source, but for those of a rule.
const (
	follows   = 7 * si.KPa      // R4: a vessel that rises by this follows
	rises     = 20 * si.KPa     // R3 a: a rise that counts as a move
	riseTime  = 3 * time.Second // from the one to the other; slower is drift, or a vessel that warms up
	falls     = 0.8             // of the highest of late: the fall shows
	plateau   = 0.95            // of the same: the fall began after the last reading above this
	maxGap    = 2 * time.Second // R3: a longer one ends what was in sight
	meanTime  = 0.3             // s, in which the mean forgets: gauges at rest make noise of up to 4 kPa
	baseDown  = 0.15            // s, in which the base follows a gauge that falls
	baseUp    = 3.0             // s, the same for one that creeps up
	peakTime  = 8.0             // s, in which the highest forgets: a supply that sags is no fall
	candidate = 0.5             // of follows: under this a rise that began is over
	remember  = 32              // presses, and moves, that a pot remembers
)

// A gauge follows the rises and falls of one pressure. The zero value has seen nothing.
type gauge struct {
	at, since si.Instant // newest good reading; the first of the unbroken stretch. 0: out of sight
	mean      float64    // Pa
	base      float64    // Pa, where it rested
	peak      float64    // Pa, highest of late
	level     si.Instant // last reading near the highest
	rising    bool       // over the base by follows
	up        bool       // over the base by rises
	began     si.Instant // of the newest rise over follows; 0: none in sight
	rose      si.Instant // the same, of the newest that went over rises
	fell      si.Instant // of the newest fall
}

// A turn is what a reading shows of a move.
type turn uint8

const (
	none turn = iota
	rose
	fell
)

// step takes one good reading. Readings come in order of time.
func (g *gauge) step(at si.Instant, v float64) turn {
	if g.at == 0 || at.Sub(g.at) > maxGap {
		*g = gauge{at: at, since: at, mean: v, base: v, up: v > rises, peak: v, level: at}
		return none
	}
	dt := at.Sub(g.at).Seconds()
	g.at = at
	g.mean = toward(g.mean, v, dt, meanTime)
	if g.up {
		return g.high(dt)
	}
	return g.low(dt)
}

// toward moves a value towards another, as one that forgets in a time constant does.
func toward(from, to, dt, tau float64) float64 { return from + float64((to-from)*(dt/(dt+tau))) }

func (g *gauge) low(dt float64) turn {
	over := g.mean - g.base
	switch {
	case over >= rises:
		if !g.rising {
			g.began = g.at
		}
		g.rising, g.up, g.peak, g.level, g.rose = false, true, g.mean, g.at, g.began
		return rose
	case g.rising && (over < candidate*follows || g.at.Sub(g.began) > riseTime):
		g.rising = false
		g.base = g.mean
	case g.rising: // the base waits
	case over >= follows:
		g.rising, g.began = true, g.at
	case over < 0:
		g.base = toward(g.base, g.mean, dt, baseDown)
	default:
		g.base = toward(g.base, g.mean, dt, baseUp)
	}
	return none
}

func (g *gauge) high(dt float64) turn {
	g.peak = max(g.mean, toward(g.peak, g.mean, dt, peakTime))
	if g.mean >= plateau*g.peak {
		g.level = g.at
	}
	if g.mean >= falls*g.peak && g.mean >= rises {
		return none
	}
	g.up, g.base, g.fell = false, g.mean, g.level
	return fell
}

// fresh tells whether the gauge is in sight, without a break since from, at now.
func (g *gauge) fresh(from, now si.Instant) bool {
	return g.at != 0 && g.since <= from && now.Sub(g.at) <= maxGap
}

// A span is a press, or a move; to is zero while it lasts.
type span struct{ from, to si.Instant }

// has tells whether t lies within the span.
func (s span) has(t si.Instant) bool { return s.from <= t && (s.to == 0 || t <= s.to) }

// past are the newest spans of one kind.
type past struct {
	spans [remember]span
	n     int        // put in all
	lost  si.Instant // beginning of the newest that is no longer remembered
}

func (p *past) open(at si.Instant) {
	s := &p.spans[p.n%remember]
	if p.n >= remember {
		p.lost = s.from
	}
	*s = span{from: at}
	p.n++
}

func (p *past) shut(at si.Instant) {
	if p.n > 0 {
		p.spans[(p.n-1)%remember].to = at
	}
}

// all are those that are remembered, in no order.
func (p *past) all() []span { return p.spans[:min(p.n, remember)] }
