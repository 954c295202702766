package gauges

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Kind is one way in which a gauge goes wrong.
type Kind uint8

// The kinds.
const (
	Stuck      Kind = iota // the reading stays as it was, to the last digit
	SlowPort               // the reading comes late: a port that plugs, a damped or tired gauge
	ZeroDrift              // it does not show nothing when there is nothing
	Swapped                // exchanged with another gauge of the pot
	OutOfRange             // outside its limits, or its loop has failed
	Noisy                  // noise that grew, or spikes

	Kinds = 6 // how many there are
)

var kindNames = [Kinds]string{"stuck", "slow-port", "zero-drift", "swapped", "out-of-range", "noisy"}

// String is the kind's name in JSON.
func (k Kind) String() string { return kindNames[k] }

var kindSays = [Kinds]string{
	"the gauge stays at one reading while the pressure moves: do not believe it, check or change it",
	"the gauge follows late: its port is plugging with grit, or it is damped; blow the port out or change the gauge",
	"the gauge does not show zero with the vessel vented, or a little pressure is trapped: prove zero, then record a zero or change the gauge",
	"two gauges of this pot seem to be exchanged, as their pressures stand the wrong way round: check hoses and wires",
	"the gauge is outside its range or its loop has failed: check wire, supply and gauge",
	"the gauge has become noisy or shows spikes: look for a bad ground, a loose wire or water in a plug",
}

// Says is the kind in words for people.
func (k Kind) Says() string { return kindSays[k] }

// Blinds tells whether a gauge of which this is found no longer shows what the pressure is; the others show it with an
// error that is known.
func (k Kind) Blinds() bool {
	return k == Stuck || k == SlowPort || k == Swapped || k == OutOfRange
}

// A Finding is the state of one kind at one point and what shows it.
type Finding struct {
	On    bool
	Since si.Instant   // of On, or of the end
	Other points.Point // Swapped: with which
	// Size is, by kind: Stuck: Pa, the reading it stays at; SlowPort: s, the lag of first order behind the quickest of
	// vessel, hose and nozzle, at most 60; ZeroDrift: Pa, the offset, with its sign; Swapped: Pa, by how much the two
	// stand the wrong way round; OutOfRange: Pa, the reading; Noisy: Pa, the standard deviation, or the height of the
	// last spike.
	Size float64
}

// Params are what a watch uses of a pot.
type Params struct {
	Pot    vent.Pot
	Period time.Duration // of a log that is slower than live readings; 0: live
}

const (
	slowLog    = 400 * time.Millisecond // with readings further apart movement and noise cannot be told from each other
	settles    = 5 * time.Second        // after a press or release, before the pot is taken for steady
	inferredBy = 750 * time.Millisecond
	rangeElse  = 200 * si.PSI // where none is declared
)

// airs are the points of the air's path; downstream those that every release empties, and that press through the tee.
var (
	airs       = [...]points.Point{points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle}
	downstream = [...]points.Point{points.Vessel, points.Hose, points.Nozzle}
)

// A Watch follows the gauges of one pot. Samples of one point come in order of time, those of different points may be
// late by less than a second. It costs a constant time a sample and allocates nothing. It is a value: a copy is a saved
// state. Not safe for concurrent use.
type Watch struct {
	params Params
	spans  [points.Count]float64 // width of the range, Pa
	zeros  [points.Count]float64 // recorded, Pa
	floors [points.Count]float64 // offset that is a fault, Pa
	stale  time.Duration

	now     si.Instant
	tracks  [points.Count]track
	known   bool
	pressed bool
	inSight bool       // the last press or release was seen
	turned  si.Instant // when, or since when the handle is known

	stuck  [points.Count]stuck
	lags   lags
	owns   [len(downstream) - 1]own // of hose and nozzle
	zero   [points.Count]zero
	swaps  swaps
	ranges [points.Count]ranges
	noise  [points.Count]noise
	found  [points.Count][Kinds]Finding
}

// New is a watch that has seen nothing.
func New(p Params) *Watch {
	w := &Watch{params: p, stale: max(vent.MaxAge, 5*p.Period/2)}
	for pt := range w.spans {
		g := p.Pot.Gauges[pt]
		if w.spans[pt] = float64(g.Hi - g.Lo); w.spans[pt] <= 0 {
			w.spans[pt] = rangeElse
		}
		if g.Zero != nil {
			w.zeros[pt] = float64(g.Zero.Offset)
		}
		w.floors[pt] = floor(g)
	}
	return w
}

// Find is the state of a kind at a point.
func (w *Watch) Find(p points.Point, k Kind) Finding { return w.found[p][k] }

// Seen is which findings somebody was told of.
type Seen [points.Count][Kinds]bool

// Tell calls each for every finding that differs from what was seen, and notes it.
func (w *Watch) Tell(seen *Seen, each func(points.Point, Kind, Finding)) {
	for p := range w.found {
		for k := range w.found[p] {
			if f := w.found[p][k]; f.On != seen[p][k] {
				seen[p][k] = f.On
				each(points.Point(p), Kind(k), f)
			}
		}
	}
}

// Fault tells whether anything is found of the vessel's gauge: then no word may rest on it (R2).
func (w *Watch) Fault() bool {
	for k := range w.found[points.Vessel] {
		if w.found[points.Vessel][k].On {
			return true
		}
	}
	return false
}

// Break ends what is being watched: what came between is not known. What was learned and what was found stands until
// readings end it.
func (w *Watch) Break(b vent.Break) {
	for p := range w.tracks {
		t := &w.tracks[p]
		last := t.last
		*t = track{every: t.every}
		if b != vent.ClockStep && b != vent.NewSession { // else times start anew
			t.last = last
		}
		w.stuck[p].forget()
		w.zero[p].since = 0
		if b == vent.ClockStep || b == vent.NewSession {
			w.zero[p].learned = 0
		}
		w.ranges[p].since = 0
	}
	if b == vent.ClockStep || b == vent.NewSession {
		w.now, w.swaps.counted, w.swaps.onset = 0, 0, 0
		w.swaps.low = [len(downstream)]si.Instant{}
	}
	w.known, w.inSight, w.turned = false, false, 0
	w.halt()
}

// halt ends what is measured of the present press or release.
func (w *Watch) halt() {
	w.lags.on, w.swaps.phase, w.swaps.fallen = false, swapIdle, 0
	w.swaps.n, w.swaps.charge = [len(airs)]int{}, [2]charge{}
	for i := range w.owns {
		w.owns[i].phase = ownIdle
	}
}

// Step takes one sample, as it was read, with the handle as the judge has it after that sample.
func (w *Watch) Step(s points.Sample, h vent.Handle) {
	if int(s.Point) >= points.Count || !w.params.Pot.Points.Has(s.Point) {
		return
	}
	t := &w.tracks[s.Point]
	if s.At <= t.last {
		return
	}
	t.last = s.At
	w.now = max(w.now, s.At)
	w.turn(h)
	if s.Quality == points.NoReply || s.Point == points.Control && w.params.Pot.Electric {
		return // a lost poll is only a gap
	}
	v := float64(s.Value) - w.zeros[s.Point]
	if math.IsNaN(v) || math.IsInf(v, 0) {
		s.Quality, v = points.OutOfRange, 0
	}
	w.judgeRange(s.Point, s.At, s.Quality == points.Good, v)
	if s.Quality != points.Good {
		t.forget()
		w.stuck[s.Point].forget()
		return
	}
	if !t.step(s.At, v, w.stale) {
		w.stuck[s.Point].forget()
	}
	w.judgeStuck(s.Point)
	w.judgeNoise(s.Point)
	w.judgeZero(s.Point)
	if s.Point != points.Control {
		w.judgeLags(s.Point)
		w.judgeOwn(s.Point)
		w.judgeSwaps(s.Point)
	}
}

// turn follows presses and releases.
func (w *Watch) turn(h vent.Handle) {
	if !h.Known {
		if w.known {
			w.known, w.inSight = false, false
			w.halt()
		}
		return
	}
	if w.known && w.pressed == h.Pressed {
		return
	}
	at := w.now
	if h.Since != 0 && at.Sub(h.Since) < 2*time.Second && h.Since <= at { // inferred ones show late
		at = h.Since
	}
	seen := w.known
	steady := seen && w.inSight && at.Sub(w.turned) >= pressedFor
	if seen && h.Pressed {
		w.lags.on = false
		w.swapPress()
	} else if seen {
		w.swapRelease(at, steady)
		if !w.lags.on { // else it has shown already
			w.beginLags(at, steady)
		}
	}
	if seen {
		w.ownTurn(h.Pressed, steady, at)
	}
	w.known, w.pressed, w.inSight, w.turned = true, h.Pressed, seen, at
}

// showsLate is how long before its time a release may show in pressures: without a control point it is told by the hose,
// once that has fallen.
func (w *Watch) showsLate() time.Duration {
	if w.params.Pot.Points.Has(points.Control) {
		return 0
	}
	return inferredBy
}

// resting tells whether the handle has been released for so long that nothing moves by it any more.
func (w *Watch) resting() bool { return w.known && !w.pressed && w.now.Sub(w.turned) >= settles }

// fresh is a point's track where it is present and its newest reading stands for the present.
func (w *Watch) fresh(p points.Point) (*track, bool) {
	t := &w.tracks[p]
	return t, t.at != 0 && w.now.Sub(t.at) <= w.stale
}

// quick tells whether a point is read often enough to tell movement from noise.
func (w *Watch) quick(t *track) bool {
	return w.params.Period <= slowLog && t.every > 0 && t.every <= slowLog.Seconds()
}

// set changes a finding; what was found at its beginning stays with it.
func (w *Watch) set(p points.Point, k Kind, on bool, f Finding) {
	was := &w.found[p][k]
	if was.On == on {
		return
	}
	f.On, f.Since = on, w.now
	*was = f
}
