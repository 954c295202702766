package gauges

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// swaps follows each press and release for points that stand the wrong way round.
//
// Along the air pressures fall, but that tells vessel and hose apart only while the vessel fills: then the hose, which
// the push line feeds, is far above the vessel. After a release supply and separator stay up, while vessel, hose and
// nozzle fall. Both are held against every exchange of two points that they can tell.
type swaps struct {
	phase   swapPhase
	onset   si.Instant         // the air came, by the first of the vessel's side
	from    si.Instant         // the release
	sum     [len(airs)]float64 // readings while the vessel fills
	n       [len(airs)]int
	full    [len(airs)]float64 // before the release, Pa; NaN: not known
	a, b    points.Point       // the pair of the last cycle; equal: none
	times   int                // in a row
	counted si.Instant         // the last of them
	clean   int                // cycles in a row that show none

	held    bool         // a pot that holds its pressure: it was seen which falls first
	instead points.Point // the one that stays up in the vessel's place; 0: none
	over    float64      // by how much it was over the vessel, Pa

	// Without a control point.
	peak   [len(airs)]float64 // the highest since the last fall to nothing that was judged, Pa, smoothed
	fallen si.Instant         // since when a point that was up is at nothing; 0: none is
	which  points.Point       // that point
	judged bool               // that has been looked at
}

type swapPhase uint8

const (
	swapIdle  swapPhase = iota
	swapWaits           // pressed, from nothing; no air yet
	swapFills           // the air has come
	swapUp              // pressed, and full or begun out of sight
	swapFalls           // released
)

const (
	swapRest    = 20 * si.KPa // a press from nothing
	swapOnset   = 60 * si.KPa
	swapSkip    = 150 * time.Millisecond
	swapSpan    = 900 * time.Millisecond
	swapCount   = 3
	swapLooks   = 6 * time.Second // after the release
	swapLeast   = 150 * si.KPa    // a pressure that tells
	swapStays   = 0.8             // of it
	swapFell    = 0.5
	swapCharge  = 20 * si.KPa // in charge: the separator over the supply
	swapAhead   = 60 * si.KPa // in charge: the vessel over hose or nozzle
	swapTip     = 4 * si.KPa  // in charge: the nozzle over the hose
	swapLevel   = 0.15        // vessel and hose, full
	swapCycles  = 2
	swapEmpty   = 3 * time.Second // at nothing
	swapLagMost = 0.25            // s: a slow gauge stands the wrong way round too
)

// swapPress begins a press that is seen.
func (w *Watch) swapPress() {
	s := &w.swaps
	if s.phase == swapFalls && w.now.Sub(s.from) >= swapLooks/2 {
		w.judgeCycle()
	}
	s.phase = swapWaits
	s.sum, s.n = [len(airs)]float64{}, [len(airs)]int{}
	for _, p := range downstream {
		if t, ok := w.fresh(p); ok && t.fast > swapRest {
			s.phase = swapUp
		}
	}
}

// swapRelease ends it.
func (w *Watch) swapRelease(at si.Instant, steady bool) {
	s := &w.swaps
	s.phase = swapIdle
	if !steady {
		return
	}
	for i, p := range airs {
		s.full[i] = math.NaN()
		if t, ok := w.fresh(p); ok && !w.found[p][Stuck].On {
			if m, ok := t.steady(at.Add(-w.showsLate()), steadyBy); ok {
				s.full[i] = m
			}
		}
	}
	s.phase, s.from = swapFalls, w.now
	s.held, s.instead = false, 0
}

func (w *Watch) judgeSwaps(p points.Point) {
	s := &w.swaps
	t := &w.tracks[p]
	if !w.params.Pot.Points.Has(points.Control) {
		w.emptied(p)
	}
	switch s.phase {
	case swapWaits:
		if p >= points.Vessel && t.v > swapOnset && t.n >= 2 && t.before > swapRest {
			s.phase, s.onset = swapFills, t.at
		}
	case swapFills:
		if since := t.at.Sub(s.onset); since > swapSpan {
			s.phase = swapUp
		} else if since > swapSkip {
			s.sum[p] += t.v
			s.n[p]++
		}
	case swapFalls:
		w.watchHold()
		if w.now.Sub(s.from) >= swapLooks {
			w.judgeCycle()
			s.phase = swapIdle
		}
	}
}

// judgeCycle holds a press and its release against the order of the air.
func (w *Watch) judgeCycle() {
	s := &w.swaps
	a, b, size, judged := w.byClass(&s.full)
	if s.instead != 0 && a == b && w.lags.latest <= swapLagMost {
		a, b, size, judged = points.Vessel, s.instead, s.over, 1
	}
	if a == b && judged != 0 {
		a, b, size, judged = w.byOrder()
	}
	switch {
	case judged == 0:
		return
	case a == b:
		if s.times = 0; s.clean < swapCycles {
			s.clean++
		}
		s.a, s.b = a, b
		if s.clean >= swapCycles {
			w.clearSwaps()
		}
		return
	}
	w.countSwap(a, b, size)
}

// countSwap takes a cycle in which two points stood the wrong way round; what is seen twice in one counts once.
func (w *Watch) countSwap(a, b points.Point, size float64) {
	s := &w.swaps
	if s.a == a && s.b == b && s.times > 0 && w.now.Sub(s.counted) < swapLooks {
		return
	}
	s.counted = w.now
	if s.a != a || s.b != b {
		s.a, s.b, s.times = a, b, 0
	}
	s.times++
	s.clean = 0
	if s.times >= swapCycles {
		w.set(a, Swapped, true, Finding{Other: b, Size: size})
		w.set(b, Swapped, true, Finding{Other: a, Size: size})
	}
}

func (w *Watch) clearSwaps() {
	for _, p := range airs {
		w.set(p, Swapped, false, Finding{})
	}
}

// byClass finds one point of the supply that falls with the release, and one of the vessel's side that does not, while
// another point does what it must. judged counts the points that tell.
func (w *Watch) byClass(full *[len(airs)]float64) (a, b points.Point, size float64, judged int) {
	var wrong [2]int
	var which [2]points.Point
	right := 0
	for i, p := range airs {
		t, ok := w.fresh(p)
		if !ok || !(full[i] >= swapLeast) || w.found[p][Stuck].On {
			continue
		}
		stays, fell := t.fast >= swapStays*full[i], t.fast <= swapFell*full[i]
		side := 0
		if p >= points.Vessel {
			side, stays, fell = 1, fell, stays
		}
		switch {
		case w.params.Pot.HoldsPressure && p == points.Vessel:
			right++
		case stays:
			right++
		case fell:
			wrong[side]++
			which[side] = p
		}
	}
	if wrong == [2]int{1, 1} && right > 0 {
		up, down := &w.tracks[which[0]], &w.tracks[which[1]]
		return which[0], which[1], down.fast - up.fast, right + 2
	}
	if wrong != [2]int{} {
		return 0, 0, 0, 0 // something else is wrong: nothing can be told
	}
	return 0, 0, 0, right
}

// watchHold looks, where a pot holds its pressure, which of vessel and hose or nozzle falls first after the release: the
// vessel stays up, at least until somebody opens its hand valve.
func (w *Watch) watchHold() {
	s, v := &w.swaps, &w.tracks[points.Vessel]
	if !w.params.Pot.HoldsPressure || s.held || !(s.full[points.Vessel] >= swapLeast) || w.found[points.Vessel][Stuck].On {
		return
	}
	down := v.fast <= swapFell*s.full[points.Vessel]
	for i, q := range downstream[1:] {
		t, ok := w.fresh(q)
		if !ok || w.owns[i].usual[ownFallsAt] == 0 || // else it may be late
			!(s.full[q] >= swapLeast) || w.found[q][Stuck].On {
			continue
		}
		switch {
		case t.fast <= swapFell*s.full[q]:
			s.held = true
		case down && t.fast >= swapStays*s.full[q]:
			s.held, s.instead, s.over = true, q, t.fast-v.fast
		}
	}
}

// emptied judges, where the handle is told by pressures that may be another's, each time that a point which was up has
// been at nothing for a while: then the supply's side is up and the vessel's side is not. The same point comes up again
// before the next time.
func (w *Watch) emptied(p points.Point) {
	s, t := &w.swaps, &w.tracks[p]
	s.peak[p] = max(s.peak[p], t.fast)
	switch {
	case s.fallen == 0 && s.peak[p] >= swapLeast && t.fast < swapRest:
		s.fallen, s.which, s.judged = t.at, p, false
	case s.fallen == 0 || p != s.which:
	case t.fast >= swapRest:
		s.fallen = 0
		if s.judged {
			s.peak = [len(airs)]float64{}
		}
	case !s.judged && t.at.Sub(s.fallen) >= swapEmpty:
		s.judged = true
		if a, b, size, _ := w.byClass(&s.peak); a != b {
			w.countSwap(a, b, size)
		}
	}
}

// byOrder finds a pair that stands the wrong way round while the vessel fills and, where that tells, when it is full.
func (w *Watch) byOrder() (a, b points.Point, size float64, judged int) {
	full := &w.swaps.full
	over := func(p, q points.Point) float64 { return full[q] - full[p] } // by how much q is over p
	if c, ok := w.filling(points.Supply, points.Separator); ok {
		judged++
		if c > swapCharge && over(points.Supply, points.Separator) > 2*si.KPa {
			return points.Supply, points.Separator, c, judged
		}
	}
	if c, ok := w.filling(points.Hose, points.Nozzle); ok {
		judged++
		if d := over(points.Hose, points.Nozzle); c > swapTip && d > w.doubt(points.Hose, points.Nozzle) {
			return points.Hose, points.Nozzle, d, judged
		}
	}
	if w.lags.latest > swapLagMost {
		return 0, 0, 0, judged
	}
	if w.params.Pot.HoldsPressure {
		return 0, 0, 0, judged // the release tells it
	}
	if c, ok := w.filling(points.Hose, points.Vessel); ok {
		judged++
		if c > swapAhead && math.Abs(over(points.Hose, points.Vessel)) < swapLevel*full[points.Vessel] {
			return points.Vessel, points.Hose, c, judged
		}
	}
	if c, ok := w.filling(points.Nozzle, points.Vessel); ok {
		judged++
		if d := over(points.Vessel, points.Nozzle); c > swapAhead && d > w.doubt(points.Vessel, points.Nozzle) {
			return points.Vessel, points.Nozzle, d, judged
		}
	}
	return 0, 0, 0, judged
}

// filling is by how much q is over p while the vessel fills, Pa.
func (w *Watch) filling(p, q points.Point) (float64, bool) {
	s := &w.swaps
	if s.n[p] < swapCount || s.n[q] < swapCount || !w.quick(&w.tracks[p]) || !w.quick(&w.tracks[q]) || math.IsNaN(s.full[p]+s.full[q]) {
		return 0, false
	}
	return s.sum[q]/float64(s.n[q]) - s.sum[p]/float64(s.n[p]), true
}

// doubt is what two gauges within their declared errors may stand the wrong way round by, Pa.
func (w *Watch) doubt(p, q points.Point) float64 {
	g := &w.params.Pot.Gauges
	return float64(g[p].U(si.GaugePressure(w.swaps.full[p])) + g[q].U(si.GaugePressure(w.swaps.full[q])))
}
