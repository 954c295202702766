package eval_test

import (
	"fmt"
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
	valve   part // of atOnce less seen: causes that are told right by how the stream through the metering valve itself has ended
	wrong   []string
}

func (s *stopScore) add(o *stopScore) {
	s.blocked = append(s.blocked, o.blocked...)
	s.found, s.missed, s.quick, s.hours, s.falsely, s.where = append(s.found, o.found...), append(s.missed, o.missed...), s.quick+o.quick, s.hours+o.hours, s.falsely+o.falsely, append(s.where, o.where...)
	s.atOnce.given, s.atOnce.due, s.later.given, s.later.due = s.atOnce.given+o.atOnce.given, s.atOnce.due+o.atOnce.due, s.later.given+o.later.given, s.later.due+o.later.due
	s.seen.given, s.seen.due, s.after.given, s.after.due = s.seen.given+o.seen.given, s.seen.due+o.seen.due, s.after.given+o.after.given, s.after.due+o.after.due
	s.valve.given, s.valve.due = s.valve.given+o.valve.given, s.valve.due+o.valve.due
	s.undo, s.wrong = s.undo+o.undo, append(s.wrong, o.wrong...)
}

const (
	stopsTo     = 0.05            // of the usual flow through the metering valve; damp clumps pass a tenth
	flowsFrom   = 0.3             // of the usual flow: abrasive flows
	leftOver    = 0.5             // kg: with more in the vessel what stops is blocked
	surelyStops = 8 * time.Second // a stop that is over sooner need not be found
	stopsFrom   = 3 * time.Second // and one that is over so soon is none: at the beginning of a press abrasive comes late
	stopTail    = 5 * time.Second // after abrasive comes again, until the hose runs full
	endsAtOnce  = time.Second     // a stream that goes from half of the usual to none in this was blocked: the truth comes twice a second
)

// A stopScorer scores what is said of abrasive that stops.
type stopScorer struct {
	r     *record
	on    bool
	s     stopScore
	last  si.Instant
	usual float64 // kg/s

	since   si.Instant // of a stop that goes on in this press; 0: none
	until   si.Instant // of the last stop
	cause   level.Stop
	both    bool          // the metering of a pot is blocked that has as good as run empty: either cause is right
	thin    time.Duration // of blasting since half of the usual flow last passed the metering valve
	flowed  bool          // it has, since the last stop
	ended   time.Duration // thin, at the stop
	foundAt si.Instant
	first   level.Stop // word that found it
	old     bool       // it was said of an earlier stop
	word    level.Stop // the last one
	open    bool       // a stop was found, and abrasive has not flowed since
	was     level.Stop // in the row before
	flows   si.Instant // since when abrasive flows; 0: it does not
	empties int        // times that the pot has run empty
	ran     bool       // it had, before the stop whose cause is asked for
	counted bool       // what is said now has been counted as false
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
		step = 0
	}
	c.last = s.at
	blasting := now.blasting()
	if blasting {
		c.s.hours += step.Hours()
	}
	stopped := blasting && c.usual > 0 && now.metered < stopsTo*c.usual
	if blasting && !stopped && now.metered > 0 {
		c.usual += (now.metered - c.usual) * min(1, step.Seconds()/20)
		if c.usual < now.metered/2 {
			c.usual = now.metered
		}
	}
	switch {
	case blasting && now.metered > c.usual/2:
		c.thin, c.flowed = 0, true
	case blasting:
		c.thin += step
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
		c.both = false
		if c.flowed { // else it is the last one, that goes on
			c.ended, c.flowed = c.thin, false
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
	if !c.ran {
		c.s.valve.due++
		if (c.ended <= endsAtOnce) == (c.cause == level.Blocked) {
			c.s.valve.given++
		}
	}
}

// right tells whether a word has the cause of the stop.
func (c *stopScorer) right(word level.Stop) bool {
	return word == c.cause || c.both && (word == level.Blocked || word == level.Empty)
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
	first, then := part{s.atOnce.given - s.seen.given, s.atOnce.due - s.seen.due}, part{s.later.given - s.after.given, s.later.due - s.after.due}
	const atOnce, later = 0.97, 0.995
	b.row(figure{what: "its cause right at once", measured: percent(s.atOnce), of: fmt.Sprintf("%d stops found, %d of them called undecided", s.atOnce.due, s.undo), bound: wrong(s.atOnce), aim: "97 %", ok: share(s.atOnce) >= atOnce})
	b.row(figure{what: "its cause right after the next vent", measured: percent(s.later), of: fmt.Sprintf("%d stops found", s.later.due), bound: wrong(s.later), aim: "99.5 %", ok: share(s.later) >= later, notes: s.wrong})
	b.row(figure{what: "its cause right at once, in pots that have run empty once before", measured: percent(s.seen), of: fmt.Sprintf("%d stops found", s.seen.due), bound: wrong(s.seen), aim: "97 %", ok: share(s.seen) >= atOnce})
	b.row(figure{what: "its cause right after the next vent, in pots that have run empty once before", measured: percent(s.after), of: fmt.Sprintf("%d stops found", s.after.due), bound: wrong(s.after), aim: "99.5 %", ok: share(s.after) >= later})
	b.fact(figure{what: "its cause right at once, in pots of which neither end was seen", measured: percent(first), of: fmt.Sprintf("%d stops found", first.due), bound: wrong(first)})
	b.fact(figure{what: "its cause right after the next vent, in pots of which neither end was seen", measured: percent(then), of: fmt.Sprintf("%d stops found", then.due), bound: wrong(then)})
	b.fact(figure{what: "the same, by one who sees the stream through the metering valve itself: the gauges of hose and tee show it too, under their noise", measured: percent(s.valve), of: fmt.Sprintf("%d stops found", s.valve.due), bound: wrong(s.valve)})
}

func percent(p part) string {
	if p.due == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(p.given)/float64(p.due))
}
