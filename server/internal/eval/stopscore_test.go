package eval_test

import (
	"fmt"
	"math"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/level"
)

// A stopScore is what was said of abrasive that stops, in one run or several.
type stopScore struct {
	blocked []time.Duration // of found, those of abrasive that is blocked
	found   []time.Duration // from when it stops to when that is said; never: not before it came again, or the release
	missed  []string        // of them
	quick   int             // stops that ended sooner than surelyStops; those are not counted
	hours   float64         // of blasting
	falsely int             // times that it was said while abrasive flowed
	where   []string
	atOnce  part // stops found whose cause was right at once
	later   part // and after the next vent
	undo    int  // of atOnce, those said to be undecided
	seen    part // of atOnce, of pots that have run empty once before
	after   part // of later, likewise
	surely  part // of atOnce less seen: causes that one is sure of who knows what was drawn, and right
	misled  int  // and wrong
	wrong   []string
}

func (s *stopScore) add(o *stopScore) {
	s.blocked = append(s.blocked, o.blocked...)
	s.found, s.missed, s.quick, s.hours, s.falsely, s.where = append(s.found, o.found...), append(s.missed, o.missed...), s.quick+o.quick, s.hours+o.hours, s.falsely+o.falsely, append(s.where, o.where...)
	s.atOnce.given, s.atOnce.due, s.later.given, s.later.due = s.atOnce.given+o.atOnce.given, s.atOnce.due+o.atOnce.due, s.later.given+o.later.given, s.later.due+o.later.due
	s.seen.given, s.seen.due, s.after.given, s.after.due = s.seen.given+o.seen.given, s.seen.due+o.seen.due, s.after.given+o.after.given, s.after.due+o.after.due
	s.surely.given, s.surely.due, s.misled = s.surely.given+o.surely.given, s.surely.due+o.surely.due, s.misled+o.misled
	s.undo, s.wrong = s.undo+o.undo, append(s.wrong, o.wrong...)
}

const (
	stopsTo     = 0.05            // of the usual flow through the metering valve; damp clumps pass a tenth
	flowsFrom   = 0.3             // of the usual flow: abrasive flows
	leftOver    = 0.5             // kg: with more in the vessel what stops is blocked
	surelyStops = 8 * time.Second // a stop that is over sooner need not be found
	stopsFrom   = 3 * time.Second // and one that is over so soon is none: at the beginning of a press abrasive comes late
	stopTail    = 5 * time.Second // after abrasive comes again, until the hose runs full
)

// A stopScorer scores what is said of abrasive that stops.
type stopScorer struct {
	r     *record
	on    bool
	s     stopScore
	last  si.Instant
	usual float64 // kg/s

	since         si.Instant // of a stop that goes on in this press; 0: none
	until         si.Instant // of the last stop
	cause         level.Stop
	both          bool    // the metering of a pot is blocked that has as good as run empty: either cause is right
	drawn         float64 // of capacity since the run began, when it stops
	foundAt       si.Instant
	first         level.Stop // word that found it
	old           bool       // it was said of an earlier stop
	word          level.Stop // the last one
	open          bool       // a stop was found, and abrasive has not flowed since
	was           level.Stop // in the row before
	flows         si.Instant // since when abrasive flows; 0: it does not
	began, lowest float64    // levels
	refilled      bool
	empties       int  // times that the pot has run empty
	ran           bool // it had, before the stop whose cause is asked for
	counted       bool // what is said now has been counted as false
}

func newStopScorer(r *record, family string) *stopScorer {
	return &stopScorer{r: r, on: family == steadyFills || family == changedFills}
}

func (c *stopScorer) row(s *said) {
	if !c.on {
		return
	}
	step := min(s.at.Sub(c.last), time.Second)
	now, word := s.now, s.level.Stop
	if c.last == 0 {
		step, c.began, c.lowest = 0, now.level, now.level
	}
	c.last = s.at
	blasting := now.blasting()
	if blasting {
		c.s.hours += step.Hours()
	}
	if now.level > c.lowest+0.02 {
		c.refilled = true
	}
	c.lowest = min(c.lowest, now.level)
	stopped := blasting && c.usual > 0 && now.metered < stopsTo*c.usual
	if blasting && !stopped && now.metered > 0 {
		c.usual += (now.metered - c.usual) * min(1, step.Seconds()/20)
		if c.usual < now.metered/2 {
			c.usual = now.metered
		}
	}
	switch {
	case stopped && c.since == 0:
		c.judge()
		c.since, c.foundAt, c.cause = now.at, 0, level.Empty
		c.ran = c.empties > 0
		if now.kg > leftOver {
			c.cause = level.Blocked
		} else {
			c.empties++
		}
		c.both, c.drawn = false, c.began-now.level
		if c.refilled {
			c.drawn = math.NaN()
		}
	case !stopped && c.since != 0:
		c.end(now.at)
	case blasting && !stopped && s.at.Sub(c.until) > stopTail:
		c.judge()
	}
	if c.since != 0 {
		c.both = c.both || now.blocked && now.kg <= leftOver
	}
	switch {
	case !blasting || now.metered < flowsFrom*c.usual:
		c.flows = 0
	case c.flows == 0:
		c.flows = s.at
	}
	if word == level.Flowing {
		c.counted = false
	} else {
		if c.since != 0 && c.foundAt == 0 && s.at.Sub(c.since) >= 0 {
			c.foundAt, c.first, c.open, c.old = s.at, word, true, s.level.StopSince < c.since
		}
		begins := c.was == level.Flowing && s.at.Sub(c.until) > stopTail
		if c.flows != 0 && (begins || s.at.Sub(c.flows) > stopTail) && !c.counted {
			c.counted = true
			c.s.falsely++
			c.s.where = append(c.s.where, fmt.Sprintf("%s at %v: %v, %.1f g/s of usually %.1f, level %.3f", c.r.name, s.at, word, 1e3*now.metered, 1e3*c.usual, now.level))
		}
		if c.open {
			c.word = word
		}
	}
	c.was = word
}

// end closes a stop; what is said of it until abrasive flows again, or another stop begins, still counts.
func (c *stopScorer) end(at si.Instant) {
	lasted := at.Sub(c.since)
	began := c.since
	c.since, c.until = 0, at
	switch {
	case lasted < stopsFrom, lasted < surelyStops && (c.foundAt == 0 || c.old):
		c.s.quick++
		c.open = false
		return
	case c.foundAt == 0:
		c.take(never)
		c.s.missed = append(c.s.missed, fmt.Sprintf("%s: %v at %v, for %v", c.r.name, c.cause, began, lasted))
		return
	case lasted < surelyStops:
		c.s.quick++
	default:
		c.take(c.foundAt.Sub(began))
	}
	c.s.atOnce.due++
	if c.ran {
		c.s.seen.due++
	}
	switch {
	case c.right(c.first):
		c.s.atOnce.given++
		if c.ran {
			c.s.seen.given++
		}
	case c.first == level.Undecided:
		c.s.undo++
	}
	if !c.ran && !math.IsNaN(c.drawn) {
		c.s.surely.due++
		switch p := ranDry(c.drawn); {
		case p > sureOf && c.cause == level.Empty, p < 1-sureOf && c.cause == level.Blocked:
			c.s.surely.given++
		case p > sureOf, p < 1-sureOf:
			c.s.misled++
		}
	}
}

// right tells whether a word has the cause of the stop.
func (c *stopScorer) right(word level.Stop) bool {
	return word == c.cause || c.both && (word == level.Blocked || word == level.Empty)
}

// What is known beforehand of pots of which neither end was seen; common practice, no source.
const (
	fullAtFirst   = 0.85 // of them begin full: crews fill at set-up; the others with anything
	fullWithin    = 0.05 // of capacity, standard deviation
	blocksPerFill = 0.2
	sureOf        = 0.8
)

// ranDry is the probability, by nothing but that and what was drawn, share of capacity, that a stream has stopped because the pot has run empty.
func ranDry(drawn float64) float64 {
	z := (drawn - 1) / fullWithin
	fuller := math.Erfc(z/math.Sqrt2) / 2
	empty := fullAtFirst*math.Exp(-z*z/2)/fullWithin/math.Sqrt(2*math.Pi) + (1-fullAtFirst)*fuller
	blocked := blocksPerFill * (fullAtFirst*fuller + (1-fullAtFirst)*max(0, 1-drawn))
	return empty / (empty + blocked)
}

// take takes how late a stop was found.
func (c *stopScorer) take(late time.Duration) {
	c.s.found = append(c.s.found, late)
	if c.cause == level.Blocked {
		c.s.blocked = append(c.s.blocked, late)
	}
}

// judge looks at the last word on a stop when the next one begins, or the run ends.
func (c *stopScorer) judge() {
	if !c.open {
		return
	}
	c.open = false
	c.s.later.due++
	if c.ran {
		c.s.after.due++
	}
	if c.right(c.word) {
		c.s.later.given++
		if c.ran {
			c.s.after.given++
		}
	} else {
		c.s.wrong = append(c.s.wrong, fmt.Sprintf("%s: %v, stopped until %v, first said to be %v, at last %v", c.r.name, c.cause, c.until, c.first, c.word))
	}
}

func (c *stopScorer) score() stopScore {
	c.judge()
	return c.s
}

// figures are the rows of stops.
func (s *stopScore) figures(b *board) {
	b.row(figure{what: "abrasive stopped, blocked or empty: to the finding", measured: middle(s.found), of: fmt.Sprintf("%d stops, %d of them never", len(s.found), len(s.missed)),
		bound: under(s.found, 0.9), aim: "p50 4 s, p90 8 s", ok: len(s.found) > 0 && quantile(s.found, 0.5) <= 4*time.Second && quantile(s.found, 0.9) <= 8*time.Second, notes: s.missed})
	each := float64(s.falsely) / max(1e-9, s.hours)
	b.row(figure{what: "abrasive said to have stopped while it flows", measured: fmt.Sprintf("%.2f an hour", each), of: fmt.Sprintf("%.0f hours of blasting, %s", s.hours, describe(s.falsely, "times")),
		bound: fmt.Sprintf("under %.2f an hour", perHour(s.falsely, s.hours)), aim: "under 0.2 an hour of blasting", ok: s.hours > 0 && each < 0.2, notes: s.where})
	b.fact(figure{what: "abrasive blocked: to the finding", measured: middle(s.blocked), of: fmt.Sprintf("%d stops", len(s.blocked)), bound: under(s.blocked, 0.9)})
	share := func(p part) float64 { return float64(p.given) / float64(max(1, p.due)) }
	wrong := func(p part) string { return "wrong: " + bound(p.due-p.given, p.due) }
	// What keeps these back are pots of which neither end was seen; where the others hold, that is the reason.
	forbids := func(seen part, aim float64) string {
		if seen.due == 0 || share(seen) < aim || s.surely.due == 0 {
			return ""
		}
		return fmt.Sprintf("pots of which neither end was seen may have begun with anything; one who knows to the gram what was drawn since then can be sure of %d of their %d stops", s.surely.given, s.surely.due)
	}
	const atOnce, later = 0.97, 0.995
	b.row(figure{what: "its cause right at once", measured: percent(s.atOnce), of: fmt.Sprintf("%d stops found, %d of them called undecided", s.atOnce.due, s.undo), bound: wrong(s.atOnce), aim: "97 %", ok: share(s.atOnce) >= atOnce, why: forbids(s.seen, atOnce)})
	b.row(figure{what: "its cause right after the next vent", measured: percent(s.later), of: fmt.Sprintf("%d stops found", s.later.due), bound: wrong(s.later), aim: "99.5 %", ok: share(s.later) >= later, why: forbids(s.after, later), notes: s.wrong})
	b.row(figure{what: "its cause right at once, in pots that have run empty once before", measured: percent(s.seen), of: fmt.Sprintf("%d stops found", s.seen.due), bound: wrong(s.seen), aim: "97 %", ok: share(s.seen) >= atOnce})
	b.row(figure{what: "its cause right after the next vent, in pots that have run empty once before", measured: percent(s.after), of: fmt.Sprintf("%d stops found", s.after.due), bound: wrong(s.after), aim: "99.5 %", ok: share(s.after) >= later})
	first, then := part{s.atOnce.given - s.seen.given, s.atOnce.due - s.seen.due}, part{s.later.given - s.after.given, s.later.due - s.after.due}
	b.fact(figure{what: "its cause right at once, in pots of which neither end was seen", measured: percent(first), of: fmt.Sprintf("%d stops found", first.due), bound: wrong(first)})
	b.fact(figure{what: "its cause right after the next vent, in pots of which neither end was seen", measured: percent(then), of: fmt.Sprintf("%d stops found", then.due), bound: wrong(then)})
	b.fact(figure{what: "the same, by one who knows nothing but what was drawn, to the gram: sure, and right", measured: percent(s.surely), of: fmt.Sprintf("%d stops found, of %d of them sure and wrong", s.surely.due, s.misled), bound: wrong(s.surely)})
}

func percent(p part) string {
	if p.due == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(p.given)/float64(p.due))
}
