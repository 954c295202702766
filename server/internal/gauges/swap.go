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
// nozzle fall. Both are held against every exchange of two points that they can tell. Where a pot holds its pressure the
// vessel stays up too; it alone fills from nothing when a press follows a blowdown.
type swaps struct {
	phase   swapPhase
	low     [len(downstream)]si.Instant // when the point was last at rest
	onset   si.Instant                  // the air came, by the first of the vessel's side
	from    si.Instant                  // the release
	sum     [len(airs)]float64          // readings while the vessel fills
	n       [len(airs)]int
	full    [len(airs)]float64 // before the release, Pa; NaN: not known
	ramp    float64            // largest change of vessel, hose and nozzle there, Pa/s
	a, b    points.Point       // the pair that was last seen the wrong way round; equal: none
	times   int                // cycles that show it, with none between that shows it as it must be
	counted si.Instant         // the last of them
	clean   int                // cycles since that show it as it must be, and all that was found

	charge  [2]charge  // supply and separator, where a pot holds its pressure
	charged [2]float64 // the vessel's reading with chargeWrong, Pa

	held    bool         // a pot that holds its pressure: it was seen which falls first
	instead points.Point // the one that stays up in the vessel's place; 0: none

	// Without a control point.
	peak   [len(airs)]float64 // the highest since the last fall to nothing that was judged, Pa, smoothed
	fallen si.Instant         // since when a point that was up is at nothing; 0: none is
	which  points.Point       // that point
	judged bool               // that has been looked at
}

type swapPhase uint8

const (
	swapIdle  swapPhase = iota // nothing moves, or it is not known what
	swapFills                  // the air has come, to points that were at rest
	swapFalls                  // released
)

// charge is what a press shows of supply or separator and the vessel where a pot holds its pressure.
type charge uint8

const (
	chargeUnknown charge = iota
	chargeFrom           // the point begins at nothing, the vessel does not
	chargeWrong          // and has risen, under vessel and hose
	chargeRight          // the vessel begins at nothing, the point does not
)

const (
	swapRest    = 20 * si.KPa // a press from nothing
	swapOnset   = 60 * si.KPa
	swapSkip    = 150 * time.Millisecond
	swapSpan    = 900 * time.Millisecond
	swapBegins  = 1500 * time.Millisecond // from rest to swapOnset at most
	swapShows   = 2 * time.Second         // a press is told at most so long after the air came
	swapCount   = 3
	swapLooks   = 6 * time.Second // after the release
	swapLeast   = 150 * si.KPa    // a pressure that tells
	swapStays   = 0.8             // of it
	swapFell    = 0.5
	swapCharge  = 20 * si.KPa // in charge: the separator over the supply
	swapAhead   = 60 * si.KPa // in charge: the vessel over hose or nozzle
	swapTip     = 4 * si.KPa  // in charge: the nozzle over the hose
	swapLevel   = 0.15        // vessel and hose, full
	swapSame    = 10 * si.KPa // supply and separator, without flow
	swapForgets = 30 * time.Minute
	swapCycles  = 2
	swapEmpty   = 3 * time.Second // at nothing
	swapLagMost = 0.25            // s: a slow gauge stands the wrong way round too
)

// swapPress begins a press that is seen. Without a control point the air may have come before.
func (w *Watch) swapPress() {
	s := &w.swaps
	if s.phase == swapFalls {
		if w.now.Sub(s.from) >= swapLooks/2 {
			w.judgeCycle()
		}
		s.phase = swapIdle
	}
	if w.now.Sub(s.onset) > swapShows {
		s.n = [len(airs)]int{}
	}
	w.beginCharge()
}

// beginCharge looks, where a pot holds its pressure, which of supply, separator and vessel are at nothing as the press
// begins. Supply and separator cannot be: they feed the handle.
func (w *Watch) beginCharge() {
	s := &w.swaps
	s.charge = [2]charge{}
	v, ok := w.fresh(points.Vessel)
	if !w.params.Pot.HoldsPressure || !ok || w.found[points.Vessel][Stuck].On {
		return
	}
	for i, p := range airs[:2] {
		switch t, ok := w.fresh(p); {
		case !ok || w.found[p][Stuck].On:
		case t.fast < swapRest && v.fast >= swapLeast:
			s.charge[i] = chargeFrom
		case v.fast < swapRest && t.fast >= swapLeast:
			s.charge[i] = chargeRight
		}
	}
}

// watchCharge tells whether supply or separator fills from nothing under the vessel and the hose, which it feeds.
func (w *Watch) watchCharge(p points.Point) {
	s, t := &w.swaps, &w.tracks[p]
	if t.v <= swapOnset || t.before <= swapOnset {
		return
	}
	s.charge[p] = chargeUnknown
	for _, q := range downstream {
		over := swapRest
		if q == points.Vessel {
			over = swapAhead
		}
		if o, ok := w.fresh(q); ok && o.v < t.v+over {
			return
		}
	}
	s.charge[p], s.charged[p] = chargeWrong, w.tracks[points.Vessel].v
}

// swapRelease ends it.
func (w *Watch) swapRelease(at si.Instant, steady bool) {
	s := &w.swaps
	s.phase = swapIdle
	if !steady {
		s.n = [len(airs)]int{}
		return
	}
	s.ramp = 0
	for i, p := range airs {
		s.full[i] = math.NaN()
		if t, ok := w.fresh(p); ok && !w.found[p][Stuck].On {
			if m, by, ok := t.ramp(at.Add(-w.showsLate())); ok && by <= steadyBy*m {
				s.full[i] = m
				if p >= points.Vessel {
					s.ramp = max(s.ramp, by)
				}
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
	if p <= points.Separator {
		if s.charge[p] == chargeFrom {
			w.watchCharge(p)
		}
	} else {
		if t.fast < swapRest {
			s.low[p-points.Vessel] = t.at
		} else if s.phase == swapIdle && t.v > swapOnset && t.before > swapRest && t.n >= 2 && w.begins(p, t.at) {
			s.phase, s.onset = swapFills, t.at
			s.sum, s.n = [len(airs)]float64{}, [len(airs)]int{}
		}
	}
	switch s.phase {
	case swapFills:
		if since := t.at.Sub(s.onset); since > swapSpan {
			s.phase = swapIdle
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

// begins tells whether all that fills was at rest a moment ago, and has not yet been seen to fill. A vessel that holds its
// pressure need not be.
func (w *Watch) begins(p points.Point, at si.Instant) bool {
	if at.Sub(w.swaps.onset) <= swapBegins || at.Sub(w.swaps.low[p-points.Vessel]) > swapBegins {
		return false
	}
	for i, q := range downstream {
		if q == points.Vessel && w.params.Pot.HoldsPressure {
			continue
		}
		if _, ok := w.fresh(q); ok && at.Sub(w.swaps.low[i]) > swapBegins {
			return false
		}
	}
	return true
}

// A verdict is what a press and its release show.
type verdict struct {
	a, b points.Point // the pair that stands the wrong way round; equal: none
	size float64      // Pa, by how much
	told pairs        // the pairs that could be told
}

// pairs are pairs of points, a bit each.
type pairs uint32

func pair(a, b points.Point) pairs { return 1 << (uint(a)*uint(len(airs)) + uint(b)) }

// wrong is the verdict that a pair stands the wrong way round.
func (v verdict) wrong(a, b points.Point, size float64) verdict {
	v.a, v.b, v.size = a, b, size
	return v
}

// judgeCycle holds a press and its release against the order of the air.
func (w *Watch) judgeCycle() {
	s := &w.swaps
	v := w.byClass(&s.full)
	if v.a == v.b && w.params.Pot.HoldsPressure {
		v = w.byCharge(v)
	}
	if v.a == v.b {
		v = w.byOrder(v)
	}
	s.n = [len(airs)]int{}
	switch {
	case v.a != v.b:
		w.countSwap(v.a, v.b, v.size)
	case v.told == 0 || w.suspects()&^v.told != 0: // tells nothing of them
	default:
		if s.times = 0; s.clean < swapCycles {
			s.clean++
		}
		if s.clean >= swapCycles {
			s.a, s.b = 0, 0
			w.clearSwaps()
		}
	}
}

// suspects are the pairs that were found, and the one that was last seen the wrong way round.
func (w *Watch) suspects() (ps pairs) {
	if s := &w.swaps; s.a != s.b {
		ps = pair(s.a, s.b)
	}
	for _, p := range airs {
		if f := &w.found[p][Swapped]; f.On && p < f.Other {
			ps |= pair(p, f.Other)
		}
	}
	return ps
}

// slow is how far a point followed behind in the last vent, s.
func (w *Watch) slow(p points.Point) float64 { return w.lags.latest[p-points.Vessel] }

// countSwap takes a cycle in which two points stood the wrong way round; what is seen twice in one counts once.
func (w *Watch) countSwap(a, b points.Point, size float64) {
	s := &w.swaps
	if s.a == a && s.b == b && s.times > 0 && w.now.Sub(s.counted) < swapLooks {
		return
	}
	if s.a != a || s.b != b || w.now.Sub(s.counted) > swapForgets {
		s.a, s.b, s.times = a, b, 0
	}
	s.counted = w.now
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
// another point does what it must.
func (w *Watch) byClass(full *[len(airs)]float64) (v verdict) {
	var wrong, right [2]int
	others := 0 // that do what they must, or may do either
	var which, does [2][len(airs)]points.Point
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
			others++
		case stays:
			others++
			does[side][right[side]] = p
			right[side]++
		case fell:
			which[side][wrong[side]] = p
			wrong[side]++
		}
	}
	if wrong == [2]int{1, 1} && others > 0 {
		a, b := which[0][0], which[1][0]
		return v.wrong(a, b, w.tracks[b].fast-w.tracks[a].fast)
	}
	if wrong == [2]int{} {
		for _, a := range does[0][:right[0]] {
			for _, b := range does[1][:right[1]] {
				v.told |= pair(a, b)
			}
		}
	}
	return v
}

// byCharge finds supply or separator in the vessel's place, where a pot holds its pressure: the vessel alone fills from
// nothing, and is the lower of the two when it is full. What feeds it stays up; a vessel that is left without air, and fills
// what is before it, does not.
func (w *Watch) byCharge(v verdict) verdict {
	s := &w.swaps
	for i, p := range airs[:2] {
		switch over := s.full[points.Vessel] - s.full[i]; {
		case s.charge[i] == chargeRight:
			v.told |= pair(p, points.Vessel)
		case s.charge[i] == chargeWrong && over > 0 && s.full[points.Vessel] >= swapStays*s.charged[i]:
			return v.wrong(p, points.Vessel, over)
		}
	}
	return v
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
			s.held, s.instead = true, q
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
		if v := w.byClass(&s.peak); v.a != v.b {
			w.countSwap(v.a, v.b, v.size)
		}
	}
}

// byOrder finds a pair that stands the wrong way round while the vessel fills and, where that tells, when it is full. Where
// the two do not agree the pair is not told.
func (w *Watch) byOrder(v verdict) verdict {
	full := &w.swaps.full
	over := func(p, q points.Point) float64 { return full[q] - full[p] } // by how much q is over p
	if c, ok := w.filling(points.Supply, points.Separator); ok && w.level() {
		switch d := over(points.Supply, points.Separator); {
		case c <= swapCharge || d < 0:
			v.told |= pair(points.Supply, points.Separator)
		case d > 2*si.KPa:
			return v.wrong(points.Supply, points.Separator, c)
		}
	}
	if c, ok := w.filling(points.Hose, points.Nozzle); ok {
		switch d, doubt := over(points.Hose, points.Nozzle), w.doubt(points.Hose, points.Nozzle); {
		case c <= swapTip || d < -doubt:
			v.told |= pair(points.Hose, points.Nozzle)
		case d > doubt+w.slow(points.Hose)*w.swaps.ramp: // a hose that follows late is behind by so much
			return v.wrong(points.Hose, points.Nozzle, d)
		}
	}
	if c, ok := w.filling(points.Hose, points.Vessel); ok && w.slow(points.Hose) <= swapLagMost {
		switch {
		case c <= swapAhead:
			v.told |= pair(points.Vessel, points.Hose)
		case math.Abs(over(points.Hose, points.Vessel)) < swapLevel*full[points.Vessel] && w.stays(points.Hose):
			return v.wrong(points.Vessel, points.Hose, c)
		}
	}
	if c, ok := w.filling(points.Nozzle, points.Vessel); ok && w.slow(points.Nozzle) <= swapLagMost {
		switch d, doubt := over(points.Vessel, points.Nozzle), w.doubt(points.Vessel, points.Nozzle); {
		case c <= swapAhead || d < -doubt:
			v.told |= pair(points.Vessel, points.Nozzle)
		case d > doubt && w.stays(points.Nozzle):
			return v.wrong(points.Vessel, points.Nozzle, d)
		}
	}
	return v
}

// stays tells, where a pot holds its pressure, whether hose or nozzle stayed up in the vessel's place. There a hose that was
// always late may be under the vessel while both fill.
func (w *Watch) stays(p points.Point) bool {
	return !w.params.Pot.HoldsPressure || w.swaps.instead == p
}

// level tells whether supply and separator show the same after the release, when no air flows from one to the other.
func (w *Watch) level() bool {
	return math.Abs(w.tracks[points.Supply].fast-w.tracks[points.Separator].fast) <= swapSame
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
