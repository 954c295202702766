// Package vent builds the answer to "may this vessel be opened?". No other package may say it.
//
// The rules have numbers, R1 to R10. Judge holds those that follow from the readings alone (R1 to R5, R9, and of R7
// that without a journal every gap over 2 s ends a run): it is pure, has no clock, and gives the same answers for the
// same samples. Serve adds what only holds at the moment of speaking: freshness (R6) and agreement of two judges (R8).
// The page adds the lease (R10).
//
// What the rules leave open is read so:
//   - The reading that is over the limit (R1) is the newest half-second mean, as single samples of a gauge at rest are
//     noisy; where readings come every half second or slower it is the sample.
//   - A gauge is at rest (R1) when the two halves of the 3 s differ by no more than noise: one that reads too low passes
//     zero while the vessel still holds pressure.
//   - A gauge is fresh inside the judge while its newest good reading is at most 2 s older than the newest sample of any
//     point (slow logs: 2.5 periods), and healthy while no bad status came after it.
//   - The second witness must have been healthy without a break since the release, or it could not have seen a press.
//   - A press is told by control where it is healthy, else by the hose point; a hose point that rises from rest while
//     control is released is a press too.
//   - R4's test of following is made on presses that last over 1.5 s and begin with the vessel under half of what the air
//     before it shows (not known: under R3's least), as one that is up need not rise further.
//   - A rise of the vessel by over 60 kPa without a press voids the witness: stricter than R3.
//
// # Memory
//
// R7 with a journal is read so. A gap in what arrives ends the run of the live judge (Break with SourceSilent): until what
// is missing has come, nothing is proven. Meanwhile a second judge, restored from a state of before the gap, its past
// primed from the stored samples, is stepped over every sample since, late ones included, in the order in which the agent
// read them, up to the newest that the live one has. Where the agent says that it no longer has samples of some
// positions, at its restarts, clock steps and changes of configuration, the second judge gets the same Break as the live
// one did or would have: only positions without a hole leave the run unbroken. Then AdoptRun gives the live judge the
// run.
//
// After that the live judge is as one that was never interrupted, but for three things, all of which only lower the word. Its
// R1 takes readings alone that came live, so that it never says vented within 3 s of the first one after the gap. What it
// found against its gauge meanwhile (faulty, a press not followed) stays. And a judge that began anew believes a state that a
// press over 5 s has counted since the start (R3 a) only where that was in the very run that goes on. R6 is not the
// judge's: the newest readings are live ones, as both judges must have the same.
//
// So a state says no word: a restored judge is for catching up, and its own Answer is not to be told to anybody. A run
// goes on only where every reading that the rules look back on is again what it was when the state was taken; otherwise it
// ends.
package vent

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Break says why a run of samples ended otherwise than by a gap or a failed gauge.
type Break uint8

// The breaks.
const (
	ClockStep    Break = iota + 1 // a new epoch of the agent's clock
	NewSession                    // the agent restarted, or another took over
	Reconfigured                  // the configuration changed
	SourceSilent                  // deaths, a lost link: what came between is not known
)

// Options of a judge. The zero value is right for live readings.
type Options struct {
	// Period of a log that is replayed, where it is slower than live readings; 0: live. A gap is then longer than
	// 2.5 periods instead of 2 s, and a period over 2 s never gives vented.
	Period time.Duration
}

// A Judge says the answer for one pot from its samples. It costs a constant time a sample and allocates nothing
// once warm. Not safe for concurrent use.
type Judge struct {
	pot    Pot
	period time.Duration
	maxGap time.Duration

	now    si.Instant // newest sample of any point
	traces [points.Count]trace
	run

	doesNotFollow bool // R4
	faulty        bool // R1, R2: latched

	live    si.Instant // R7: readings of the vessel from before this supply no R1; 0: all do
	priming bool       // restored, and the past of its points not yet made again
}

// run is what R3, R4 and R9 keep of a run of samples: what one that lacks some of them may take over from one that has all.
type run struct {
	control control
	hose    hose

	pressing  bool
	sawRest   bool // control was seen released in this run: a press that follows began in sight
	byHose    bool // the press shows on the hose alone
	press     press
	handleAt  si.Instant // last press or release
	ep        episode
	before    episode    // what a tap takes back to
	tapEnded  si.Instant // a tap waits to be judged; 0: none
	tapWatch  si.Instant // until then a rise is that of a tap that seemed to raise nothing
	pressedOn bool       // a press took the witness

	longCounted bool // R3 a: a press over 5 s has counted since the start
	longInRun   bool // and did so in this run
	armed       bool // R9: the vessel was up to its blowdown's start
}

// NewJudge is a judge that has seen nothing.
func NewJudge(p Pot, o Options) *Judge {
	j := &Judge{pot: p, period: o.Period, maxGap: max(MaxAge, 5*o.Period/2)}
	for _, pt := range points.All() {
		t := &j.traces[pt]
		t.present = p.Points.Has(pt)
		switch pt {
		case points.Vessel:
			t.span = vesselSpan
		case points.Hose:
			t.span = hoseSpan
		default:
			t.span = shortSpan
		}
		if z := p.Gauges[pt].Zero; z != nil {
			t.zero = float64(z.Offset)
		}
	}
	j.ep.ref = math.NaN()
	return j
}

// Step takes one sample. Samples come in order of time for each point; between points they may be late by less than
// a second. A sample no newer than the point's last is dropped, as is one of a point that is not configured.
func (j *Judge) Step(s points.Sample) {
	if int(s.Point) >= points.Count || !j.traces[s.Point].present {
		return
	}
	if j.priming {
		j.Primed()
	}
	t := &j.traces[s.Point]
	if t.last != 0 && s.At <= t.last {
		return
	}
	j.now = max(j.now, s.At)
	good, broken := t.add(s, s.Point == points.Control && j.pot.Electric, j.maxGap)
	switch s.Point {
	case points.Vessel:
		if broken {
			j.endRun()
		}
		if good {
			j.vessel()
		}
	case points.Control:
		if broken {
			j.control = control{}
		}
		if good {
			j.control.step(&j.pot, s, t.good.v)
		}
		j.turn(s.At)
	case points.Hose:
		if broken {
			j.hose = hose{}
		}
		if good {
			j.blast(t)
		}
	}
	j.settleFollow()
	j.settleTap()
}

// Break ends the run of samples (R3): what was seen before proves nothing any more.
func (j *Judge) Break(b Break) {
	j.priming, j.live = false, 0
	for i := range j.traces {
		t := &j.traces[i]
		t.drop()
		t.saved = mark{}
		if b == ClockStep || b == NewSession {
			t.last = 0 // times start anew
		}
	}
	if b == ClockStep || b == NewSession {
		j.now = 0
	}
	j.control, j.hose, j.handleAt = control{}, hose{}, 0
	j.endRun()
	if b == NewSession || b == Reconfigured {
		j.longCounted = false
	}
}

// endRun forgets what R3 saw. A press that is going on has begun out of sight.
func (j *Judge) endRun() {
	j.ep = episode{ref: math.NaN()}
	j.before = j.ep
	j.press = press{judged: true}
	j.pressing, j.byHose, j.sawRest = false, false, false
	j.tapEnded, j.tapWatch, j.pressedOn, j.armed = 0, 0, false, false
	j.longInRun = false
}

// controlHealthy tells whether the control point can be believed now.
func (j *Judge) controlHealthy() bool {
	return j.control.known && j.traces[points.Control].fresh(j.now, j.maxGap)
}

// vessel follows the vessel's newest good reading.
func (j *Judge) vessel() {
	t := &j.traces[points.Vessel]
	r := t.good
	if j.pressing || j.tapEnded != 0 {
		j.rise(r)
	}
	j.ep.fall.step(r)
	if !j.ep.witness && t.tooFast(&j.pot) {
		j.ep.fast = true
	}
	if r.at <= j.tapWatch && r.half-j.press.base >= mustRise {
		j.tapWatch, j.pressedOn = 0, true
		j.ep = episode{ref: math.NaN()}
	}

	if r.at.Sub(j.live) >= restSpan {
		j.live = 0
	}
	now := t.rest(0)
	if now.whole && now.mean < -float64(j.u(now.mean)) {
		j.faulty = true
	}
	atRest := j.within(now)
	if j.pot.HoldsPressure {
		j.blowdown(r, atRest)
		return
	}
	if j.ep.witness && r.half > unexplainedRise {
		j.ep.witness = false
	}
	if j.ep.witness || !atRest || j.pressing || j.tapEnded != 0 {
		return
	}
	ok, long := j.ep.rose(&j.pot, j.longCounted)
	if ok && j.ep.fell(&j.pot, r.at.Add(-restSpan)) {
		j.prove()
		j.longCounted, j.longInRun = j.longCounted || long, j.longInRun || long
	}
}

// blowdown is R3's place taken by R9, for pots that hold pressure by design.
func (j *Judge) blowdown(r reading, atRest bool) {
	least := j.pot.leastPeak()
	switch {
	case r.half >= least:
		j.armed, j.ep.witness = true, false
		j.ep.fall, j.ep.released, j.ep.fast = fall{level: least}, r.at, false
	case r.half > beganUnder:
		j.ep.witness = false
	case atRest && j.armed && !j.pressing && j.tapEnded == 0:
		j.armed = false
		if !j.ep.fast {
			j.prove()
		}
	}
}

func (j *Judge) prove() {
	j.ep.witness, j.pressedOn = true, false
}

// reference is what separator, else supply, shows; NaN where neither is present and healthy.
func (j *Judge) reference() float64 {
	for _, pt := range [...]points.Point{points.Separator, points.Supply} {
		if t := &j.traces[pt]; t.fresh(j.now, j.maxGap) {
			return t.good.half
		}
	}
	return math.NaN()
}

// u is the uncertainty of the vessel gauge at a reading, Pa.
func (j *Judge) u(v float64) si.PressureDrop {
	return j.pot.Gauges[points.Vessel].U(si.GaugePressure(v))
}

// within is R1.
func (j *Judge) within(r rest) bool {
	u := float64(j.u(r.mean))
	return r.whole && r.steady && r.mean >= -u && r.mean <= limit-u && r.highest <= limit
}

// Answer is the word as of the newest sample of any point. Before any sample of the vessel it is not-proven with
// VesselOld. It takes no account of how long ago that was: Serve does.
func (j *Judge) Answer() Answer {
	v := &j.traces[points.Vessel]
	if v.quality == points.OutOfRange {
		return Answer{Word: NotProven, Because: CodesOf(VesselBad)}
	}
	if !v.fresh(j.now, j.maxGap) {
		return Answer{Word: NotProven, Because: CodesOf(VesselOld)}
	}
	at := v.good.at
	if half := v.good.half; half > limit-float64(j.u(half)) {
		return Answer{Word: Pressurised, Because: CodesOf(OverLimit), At: at}
	}
	var why Codes
	now := v.rest(j.live)
	if j.u(now.mean) > maxU {
		why = why.With(UncertaintyTooLarge)
	}
	if j.faulty {
		why = why.With(SensorFault)
	}
	if j.priming || !j.within(now) {
		why = why.With(Settling)
	}
	if !j.ep.witness || j.tapEnded != 0 {
		why = why.With(NoVentSeen)
		if j.pressedOn && !j.venting() {
			why = why.With(PressSinceRelease)
		}
	}
	second, code := j.secondWitness()
	why |= code
	if second != 0 {
		at = min(at, second)
	}
	if j.doesNotFollow {
		why = why.With(GaugeDoesNotFollow)
	}
	if j.controlHealthy() && j.control.pressed {
		why = why.With(ControlPressed)
	}
	if j.shows(points.Hose) {
		why = why.With(HosePressure)
	}
	if j.shows(points.Nozzle) {
		why = why.With(NozzlePressure)
	}
	if j.period > MaxAge {
		why = why.With(LogTooSlow)
	}
	if why != 0 {
		return Answer{Word: NotProven, Because: why, At: at}
	}
	return Answer{Word: Vented, At: at}
}

// venting tells whether the vent after the last release may still prove the gauge.
func (j *Judge) venting() bool {
	return j.ep.open && j.ep.released != 0 && j.now.Sub(j.ep.released) <= j.pot.allowance()
}

// secondWitness is R4: the newest reading of the second gauge that vouches for the first, or why there is none.
func (j *Judge) secondWitness() (si.Instant, Codes) {
	var newest si.Instant
	present := false
	for _, pt := range [...]points.Point{points.Control, points.Hose} {
		t := &j.traces[pt]
		if !t.present || pt == points.Control && j.pot.HoldsPressure {
			continue
		}
		present = true
		if t.fresh(j.now, j.maxGap) && (!j.ep.witness || t.since <= j.ep.released) {
			newest = max(newest, t.good.at)
		}
	}
	switch {
	case !present:
		return 0, CodesOf(NoSecondWitness)
	case newest == 0:
		return 0, CodesOf(SecondWitnessSilent)
	}
	return newest, 0
}

// shows is R5 for a point: a half-second mean above the limit.
func (j *Judge) shows(pt points.Point) bool {
	t := &j.traces[pt]
	return t.fresh(j.now, j.maxGap) && t.good.half > limit
}

// Faulty tells whether the vessel gauge was proven outside its declared error (R1). It stays so until a named
// person records a zero or a service, so a restart hands it on with MarkFaulty.
func (j *Judge) Faulty() bool { return j.faulty }

// MarkFaulty restores that finding; it can only lower the word.
func (j *Judge) MarkFaulty() { j.faulty = true }
