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
	phase swapPhase
	onset si.Instant         // the air came, by the first of the vessel's side
	from  si.Instant         // the release
	sum   [len(airs)]float64 // readings while the vessel fills
	n     [len(airs)]int
	full  [len(airs)]float64 // before the release, Pa; NaN: not known
	a, b  points.Point       // the pair of the last cycle; equal: none
	times int                // in a row
	clean int                // cycles in a row that show none
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
	swapLagMost = 0.25 // s: a slow gauge stands the wrong way round too
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
			if m, ok := t.steady(at); ok {
				s.full[i] = m
			}
		}
	}
	s.phase, s.from = swapFalls, w.now
}

func (w *Watch) judgeSwaps(p points.Point) {
	s := &w.swaps
	t := &w.tracks[p]
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
		if w.now.Sub(s.from) >= swapLooks {
			w.judgeCycle()
			s.phase = swapIdle
		}
	}
}

// judgeCycle holds a press and its release against the order of the air.
func (w *Watch) judgeCycle() {
	s := &w.swaps
	a, b, size, judged := w.byClass()
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
	case s.a != a || s.b != b:
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
func (w *Watch) byClass() (a, b points.Point, size float64, judged int) {
	var wrong [2]int
	var which [2]points.Point
	right := 0
	for i, p := range airs {
		t, ok := w.fresh(p)
		if !ok || !(w.swaps.full[i] >= swapLeast) || w.found[p][Stuck].On {
			continue
		}
		stays, fell := t.fast >= swapStays*w.swaps.full[i], t.fast <= swapFell*w.swaps.full[i]
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
