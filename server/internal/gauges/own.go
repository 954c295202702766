package gauges

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// own measures how long hose or nozzle of a pot that holds its pressure take to fill and to empty, each against what it
// used to take. There a release leaves the vessel up, so that there is nothing to hold them against, but the vessel's grit
// does not change how they empty either.
//
// The integral of the share that is still to come or to go is the sum of the time constants on the way, the gauge's own
// among them, and of what valves and control line take from the release on, where a control point tells it. A gauge that follows late is as late when the hose fills as when it empties. A smaller or plugged nozzle and
// a kink behind the gauge empty the hose later, and fill it earlier; one before the gauge the other way round.
type own struct {
	phase  ownPhase
	from   si.Instant // where the movement began
	area   float64    // integral of the reading there, and of the rise up to its end, Pa s
	before float64    // steady reading before the release, Pa
	empty  int        // the press began with the vessel empty: 1, else 0
	rise   float64    // s, of the last press; NaN: not known
	usual  [3]float64 // s, the least that was held twice in a row: rises by empty, and the fall; 0: not known
	last   [3]float64 // s, of the last such; 0: none
	in     int        // vents in a row that are late
	out    int        // that are not
	least  float64    // s, of those in a row
	rose   float64    // s, by how much a rise was late since the last vent that was not
}

type ownPhase uint8

const (
	ownIdle    ownPhase = iota
	ownWaits            // pressed, from nothing
	ownRises            // the air has come
	ownTops             // the time of the rise is over; what it comes to is being averaged
	ownUp               //
	ownHangs            // released, and not yet falling
	ownFalls            //
	ownFallsAt = 2      // index of the fall in usual
)

const (
	ownRise   = 3 * time.Second
	ownEnds   = 5 * time.Second // of a fall: before the watch for exchanged gauges judges it
	ownDown   = 0.05            // of the pressure before the release: the end of the fall
	ownGrows  = 0.4             // s over what is usual: late
	ownBoth   = 0.3             // s, of the rise with it
	ownFirst  = 1.5             // times as much, where only one was seen before
	ownDoubts = 3               // vents in a row that are late by the first alone: it was no measure
)

// ownTurn begins the timing of a press or release that was seen.
func (w *Watch) ownTurn(pressed, steady bool, at si.Instant) {
	if !w.params.Pot.HoldsPressure {
		return
	}
	v, ok := w.fresh(points.Vessel)
	for i, p := range downstream[1:] {
		o := &w.owns[i]
		t, fresh := w.fresh(p)
		if !pressed {
			m, even := t.steady(at.Add(-w.showsLate()), rampBy)
			if o.phase = ownIdle; fresh && steady && even && m >= lagFrom && w.quick(t) && !w.found[p][Stuck].On && !w.found[p][Swapped].On {
				o.phase, o.before = ownHangs, m
				o.from, o.area = w.now, t.until(w.now)
			}
			continue
		}
		o.phase, o.rise = ownIdle, math.NaN()
		if !ok || !fresh || t.fast > swapRest || v.fast > swapRest && v.fast < lagFrom {
			continue
		}
		o.phase, o.empty = ownWaits, 0
		if v.fast <= swapRest {
			o.empty = 1
		}
	}
}

func (w *Watch) judgeOwn(p points.Point) {
	if !w.params.Pot.HoldsPressure || p <= points.Vessel {
		return
	}
	o, t := &w.owns[p-points.Hose], &w.tracks[p]
	if t.n < 2 {
		o.phase = ownIdle // a gap: what came in it is not known
		return
	}
	since := t.at.Sub(o.from)
	switch o.phase {
	case ownWaits:
		if t.v > swapOnset {
			o.phase, o.from, o.area = ownRises, t.at, t.area
		}
	case ownRises:
		if since >= ownRise {
			o.phase, o.area = ownTops, t.area-o.area-t.v*(since-ownRise).Seconds()
		}
	case ownTops:
		if since < ownRise+time.Second {
			return
		}
		o.phase = ownUp
		if m, ok := t.mean(o.from.Add(ownRise), t.at); ok && m >= lagFrom && w.quick(t) {
			o.rise = ownRise.Seconds() - o.area/m
		}
	case ownHangs:
		switch {
		case t.v <= lagBegins*o.before:
			if o.phase, o.from = ownFalls, t.at; !w.params.Pot.Points.Has(points.Control) {
				o.area = t.area
			}
		case since >= lagEnds:
			o.phase = ownIdle
		}
	case ownFalls:
		if t.v <= ownDown*o.before || since >= ownEnds {
			o.phase = ownIdle
			w.measureOwn(p, o, (t.area-o.area)/o.before)
		}
	}
}

// measureOwn takes the time of a fall, s, with that of the rise before it.
func (w *Watch) measureOwn(p points.Point, o *own, fall float64) {
	if rise := o.late(o.empty, o.rise, ownBoth); rise > 0 {
		o.rose = max(o.rose, rise)
	}
	late := o.late(ownFallsAt, fall, ownGrows)
	if ref := o.usual[ownFallsAt]; ref != 0 || o.last[ownFallsAt] != 0 {
		if ref == 0 {
			ref = o.last[ownFallsAt]
		}
		lag := fall - ref
		w.lags.latest[p-points.Vessel] = max(lag, 0)
		switch {
		case late > 0:
			if o.in == 0 || lag < o.least {
				o.least = lag
			}
			o.in++
			o.out = 0
		case lag <= ownGrows-lagOver:
			o.in, o.rose = 0, 0
			o.out++
		default:
			o.out = 0
		}
		switch {
		case o.in >= lagVents && o.rose >= ownBoth:
			w.set(p, SlowPort, true, Finding{Size: min(lagMost, o.least)})
		case o.out >= lagVents:
			w.set(p, SlowPort, false, Finding{})
		}
	}
	if late == 0 || o.usual[ownFallsAt] != 0 || o.in > ownDoubts {
		o.learn(ownFallsAt, fall)
	}
	if !math.IsNaN(o.rise) {
		o.learn(o.empty, o.rise)
	}
}

// late is by how much a time is over what is usual, where that is a given limit and more, else 0. Where only one was seen
// before, that stands for what is usual, and the limit is higher.
func (o *own) late(i int, s, limit float64) float64 {
	usual := o.usual[i]
	if usual == 0 {
		usual = o.last[i]
		limit *= ownFirst
	}
	if usual == 0 || !(s-usual >= limit) {
		return 0
	}
	return s - usual
}

// learn takes the larger of two in a row for usual, where that is less than what was.
func (o *own) learn(i int, s float64) {
	o.usual[i], o.last[i] = leastOfTwo(o.usual[i], o.last[i], s), s
}

// leastOfTwo is the least so far of what was held twice in a row. 0 stands for none; less than a hundredth of a second is
// taken for that.
func leastOfTwo(least, last, s float64) float64 {
	if last == 0 {
		return least
	}
	if held := max(last, s, 0.01); least == 0 || held < least {
		return held
	}
	return least
}
