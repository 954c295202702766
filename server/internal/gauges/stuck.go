package gauges

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// stuck follows how long a reading stays the same to the last digit.
type stuck struct {
	n       int                // readings equal to the one before, without a break
	flow    int                // of those, under flow
	base    [len(airs)]float64 // the others where the run began
	swing   float64            // the farthest that one of its side has moved from there, Pa
	moved   si.Instant         // when another had moved far away from that; 0: none has
	after   int                // equal readings since
	changes int                // readings that differ, since it was found

	learned int     // readings under flow
	longest int     // run under flow that ended
	step    float64 // mean difference of two readings under flow where the reading turned, Pa
	quantum float64 // smallest difference of the last block of differences and of this one, Pa; 0: none yet
	next    float64 // of this block
	lively  float64 // share of readings under flow that differ from the one before
	block   int     // differences in it
}

const (
	flowOver     = 50 * si.KPa             // a reading under flow
	flowAfter    = time.Second             // after the press
	stuckFor     = 1500 * time.Millisecond // at least, by noise
	stuckLearn   = 60                      // readings that tell a gauge's noise
	stuckMemory  = 200
	stuckBlock   = 100
	stuckLongest = 4           // times the longest run that ended by itself
	stuckChance  = 1e-10       // of a healthy run so long
	swungChance  = 1e-6        // the same, while another point moved by swungBy
	swungBy      = 15 * si.KPa // more than noise
	swungFar     = 25 * si.KPa // while another moves by this a gauge that was lively does not stand still
	swungFor     = 1500 * time.Millisecond
	plugFor      = 10 * time.Second // hose and nozzle that go to nothing under flow, as somebody may clear the metering valve with the choke shut
	livelyBy     = 0.5              // readings under flow that differ
	leastNoise   = 1e-5             // of the range: less is the rounding of numbers
	turnMost     = 4                // mean differences and steps
	leastSteps   = 0.7              // of a step: of less noise too little shows in the middle of one
	movedBy      = 100 * si.KPa     // another point, while this one stood still
	movedWithin  = 8 * time.Second  // of the press or release
	movedFor     = 800 * time.Millisecond
	movedCount   = 3
	stuckRest    = 20 * si.KPa // under this hose and nozzle may rightly stay at nothing behind a plug
	unstuck      = 5           // changes
)

func (s *stuck) forget() { s.n, s.flow, s.moved = 0, 0, 0 }

func (w *Watch) judgeStuck(p points.Point) {
	t, s := &w.tracks[p], &w.stuck[p]
	if t.n < 2 {
		return
	}
	flow := w.known && w.pressed && w.now.Sub(w.turned) >= flowAfter && (t.v > flowOver || p != points.Control && w.blows())
	diff := math.Abs(t.v - t.before)
	on := w.found[p][Stuck].On
	if diff != 0 {
		if on {
			if s.changes++; s.changes >= unstuck {
				w.set(p, Stuck, false, Finding{})
			}
		} else {
			s.longest = max(s.longest, s.flow)
		}
		s.forget()
		if flow && !on {
			s.differ(diff)
			turn := 0.0 // else movement, not noise
			if (t.v-t.before)*(t.before-t.third) < 0 && t.n > 2 {
				turn = diff
				if s.learned >= stuckLearn { // a jump is no noise
					turn = min(turn, turnMost*(s.step+s.quantum))
				}
			}
			s.learn(diff, turn)
		}
		return
	}
	if s.n == 0 {
		s.swing = 0
		for i, q := range airs {
			if o, ok := w.fresh(q); ok {
				s.base[i] = o.v
			} else {
				s.base[i] = math.NaN()
			}
		}
	}
	s.n++
	w.swung(p, s)
	if flow {
		if s.flow++; s.flow <= s.longest {
			s.learn(0, 0)
		}
	} else {
		s.flow = 0
	}
	if on {
		return
	}
	if w.silent(t, s, w.spans[p]) || w.unmoved(p, t, s) || w.leftBehind(p, t, s) {
		s.changes = 0
		w.set(p, Stuck, true, Finding{Size: t.v})
	}
}

// blows tells whether a point of the vessel's side shows flow.
func (w *Watch) blows() bool {
	for _, p := range downstream {
		if t, ok := w.fresh(p); ok && t.fast > flowOver {
			return true
		}
	}
	return false
}

func (s *stuck) learn(diff, turn float64) {
	s.learned++
	gain := 1 / float64(min(s.learned, stuckMemory))
	s.step += (turn - s.step) * gain
	if diff != 0 {
		diff = 1
	}
	s.lively += (diff - s.lively) * gain
}

// differ learns the step of the gauge's digits. Some have coarser ones at higher pressure: what was seen long ago does
// not count.
func (s *stuck) differ(diff float64) {
	if s.block == 0 || diff < s.next {
		s.next = diff
	}
	if s.quantum == 0 || diff < s.quantum {
		s.quantum = diff
	}
	if s.block++; s.block == stuckBlock {
		s.quantum, s.block = s.next, 0
	}
}

// silent tells whether a gauge that makes noise under flow has stopped doing so. With noise of standard deviation sigma
// and steps of q, a reading equals the one before with no more than erf(q/(2 sqrt(2) sigma)), which is the case of a
// pressure in the middle of a step; the run must be less likely than stuckChance, and far longer than any that ended.
// A gauge that is polled more often than it measures repeats itself: only the share of readings that were new counts.
// Noise far under a step is not judged: at the edge of a step it shows, in the middle of one it does not.
func (w *Watch) silent(t *track, s *stuck, span float64) bool {
	known := s.learned >= stuckLearn && s.step > 0 && w.quick(t)
	if !known || float64(s.flow)*t.every < stuckFor.Seconds() || s.flow < stuckLongest*(s.longest+1) {
		return false
	}
	// The mean |difference| of two normal readings is 2 sigma/sqrt(pi), of which turns make up the most.
	sigma := s.step * math.Sqrt(math.Pi) / 2
	if sigma < max(leastSteps*s.quantum, leastNoise*span) {
		return false
	}
	same := math.Erf(s.quantum / (2 * math.Sqrt2 * sigma))
	chance := stuckChance
	if s.swing >= swungBy {
		chance = swungChance
	}
	return float64(s.flow)*s.lively*math.Log(same) < math.Log(chance)
}

// swung follows how far the others move while this one stands still: of vessel, hose and nozzle one of these, as the
// supply's side has its own reasons to move; of supply and separator any. The vessel of a pot that holds its pressure is
// apart from the hose until the air flows, and follows the supply then.
func (w *Watch) swung(p points.Point, s *stuck) {
	holds := p == points.Vessel && w.params.Pot.HoldsPressure
	for i, q := range airs {
		o, ok := w.fresh(q)
		if q == p || !ok || p >= points.Vessel && !holds && q < points.Vessel || holds && (q > points.Vessel || s.flow == 0) {
			continue
		}
		s.swing = max(s.swing, math.Abs(o.v-s.base[i]))
	}
}

// unmoved tells whether a gauge whose noise is less than its digits, but whose readings used to differ under flow all the
// same, as the pressure moves, stands still while another point moves far.
func (w *Watch) unmoved(p points.Point, t *track, s *stuck) bool {
	if p == points.Control || s.learned < stuckMemory || s.lively < livelyBy || s.swing < swungFar || !w.quick(t) {
		return false
	}
	least := swungFor
	if p >= points.Hose && t.v < stuckRest && float64(s.n)*t.every < w.now.Sub(w.turned).Seconds() {
		least = plugFor // it went to nothing under flow
	}
	return float64(s.flow)*t.every >= least.Seconds() && s.flow >= stuckLongest*(s.longest+1)
}

// leftBehind tells whether a point of the vessel's side stood still while another one moved far, which it must follow: the
// vessel in the charge and the vent, hose and nozzle in the vent (in a charge they stand still at what the push line gives
// them). A pot that holds its pressure keeps the vessel apart from the hose.
func (w *Watch) leftBehind(p points.Point, t *track, s *stuck) bool {
	holds := w.params.Pot.HoldsPressure
	switch p {
	case points.Vessel:
		if holds {
			return false
		}
	case points.Hose, points.Nozzle:
		if w.pressed || t.v < stuckRest {
			return false
		}
	default:
		return false
	}
	if !w.known || w.now.Sub(w.turned) > movedWithin {
		return false
	}
	away := false
	for i, q := range airs {
		o, ok := w.fresh(q)
		away = away || q != p && q >= points.Vessel && ok && !(holds && q == points.Vessel) && math.Abs(o.v-s.base[i]) >= movedBy
	}
	if !away || s.moved == 0 {
		if s.moved, s.after = 0, 0; away {
			s.moved = t.at
		}
		return false
	}
	s.after++
	return s.after >= max(movedCount, 2*(s.longest+1)) && t.at.Sub(s.moved) >= movedFor
}
