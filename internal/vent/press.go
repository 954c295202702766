package vent

import (
	"math"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// turn follows the control point.
func (j *Judge) turn(at si.Instant) {
	if !j.controlHealthy() {
		return
	}
	j.sawRest = j.sawRest || !j.control.pressed
	switch {
	case j.control.pressed && !j.pressing:
		j.begin(at, false)
	case j.control.pressed:
		j.byHose = false
	case j.pressing && !j.byHose:
		j.end(j.control.held, at)
	}
}

// blast follows the hose point.
func (j *Judge) blast(t *trace) {
	if t.good.half > limit {
		j.press.hose = true
	}
	began, ended := j.hose.step(t)
	switch {
	case began && !j.pressing:
		j.begin(j.hose.began, true)
	case ended && j.pressing && (j.byHose || !j.controlHealthy()):
		j.end(j.hose.ended, t.good.at)
	}
}

// begin starts a press.
func (j *Judge) begin(at si.Instant, byHose bool) {
	j.settleTapNow()
	v := &j.traces[points.Vessel]
	j.pressing, j.byHose = true, byHose
	if byHose || j.sawRest { // else it has begun out of sight
		j.handleAt = at
	}
	if !v.fresh(j.now, j.maxGap) || !byHose && !j.sawRest {
		j.press = press{start: at, judged: true}
		j.ep.witness, j.ep.released = false, 0
		return
	}
	base, _, ok := v.halfAt(at, at)
	if !ok {
		base = v.good.half
	}
	j.press = press{start: at, under: base < beganUnder, base: base, highest: base, highestAt: at}
	j.press.judged = base >= j.farUp()
	j.before = j.ep
	if j.press.under {
		j.ep = episode{open: true, base: base, peak: base, ref: j.reference()}
	}
	j.pressedOn = true
	j.ep.witness, j.ep.released = false, 0
	for i := range v.n { // the press may show after the vessel has begun to rise
		if r := v.at(i); r.at > at {
			j.rise(*r)
		}
	}
}

// farUp is the pressure from which on a press need not raise the vessel any more: half of what the air before it shows,
// else the least that a press must reach.
func (j *Judge) farUp() float64 {
	if ref := j.reference(); !math.IsNaN(ref) {
		return max(beganUnder, halfOfReference*ref)
	}
	return max(beganUnder, j.pot.leastPeak())
}

// rise follows the vessel during a press.
func (j *Judge) rise(r reading) {
	j.press.base = min(j.press.base, r.half) // pressed again while it fell: it must turn
	if r.half > j.press.highest {
		j.press.highest, j.press.highestAt = r.half, r.at
	}
	if !j.pressing {
		return
	}
	if j.ep.open && r.half > j.ep.peak {
		j.ep.peak, j.ep.ref = r.half, j.reference()
	}
	if !j.press.judged && r.half-j.press.base >= mustFollow {
		j.press.judged, j.doesNotFollow = true, false
	}
}

// end is the release: it began at from and shows at shown.
func (j *Judge) end(from, shown si.Instant) {
	if from == 0 { // the line came back released: when it let go is not known
		from = shown
	}
	from = max(from, j.press.start)
	took := from.Sub(j.press.start)
	j.pressing, j.byHose, j.handleAt = false, false, shown
	j.ep.longest = max(j.ep.longest, took)
	j.ep.released = from
	j.ep.early = j.fellEarly(from)
	v := &j.traces[points.Vessel]
	level := j.press.highest
	if l, _, ok := v.halfAt(from, from); ok && j.press.highestAt < from.Add(-fallLead) {
		level = l
	}
	j.ep.fall = fall{level: level}
	for i := range v.n { // a release may show after the fall has begun
		if r := v.at(i); r.at >= from {
			j.ep.fall.step(*r)
		}
	}
	if took < tap {
		j.tapEnded = shown
		j.press.judged = true
		return
	}
	if !j.press.judged {
		j.judgeFollow()
	}
}

// fellEarly tells whether the vessel was already falling before the release could make it (R3 b).
func (j *Judge) fellEarly(released si.Instant) bool {
	edge := released.Add(-fallLead)
	if j.press.highestAt >= edge {
		return false
	}
	level, highest, ok := j.traces[points.Vessel].halfAt(max(edge.Add(-restSpan), j.press.start), edge)
	return !ok || level < 0.9*highest || level < 0.5*j.press.highest
}

// settleFollow judges R4 once a press has lasted long enough.
func (j *Judge) settleFollow() {
	if j.pressing && !j.press.judged && j.now.Sub(j.press.start) >= follow {
		j.judgeFollow()
	}
}

func (j *Judge) judgeFollow() {
	j.press.judged = true
	if j.press.highest-j.press.base >= mustFollow {
		j.doesNotFollow = false
		return
	}
	air, absent := false, true
	for _, pt := range [...]points.Point{points.Separator, points.Supply} {
		if t := &j.traces[pt]; t.fresh(j.now, j.maxGap) {
			absent = false
			air = air || t.good.half > airToFollow
		}
	}
	if air || absent {
		j.doesNotFollow = true
	}
}

// settleTap judges a tap once its pressure would have shown.
func (j *Judge) settleTap() {
	if j.tapEnded != 0 && j.now.Sub(j.tapEnded) >= tapSettles {
		j.settleTapNow()
	}
}

func (j *Judge) settleTapNow() {
	if j.tapEnded == 0 {
		return
	}
	j.tapEnded = 0
	hose := &j.traces[points.Hose]
	raised := j.press.highest-j.press.base >= mustRise || j.press.hose && hose.fresh(j.now, j.maxGap)
	if j.press.under && !raised {
		j.ep = j.before
		j.pressedOn = !j.ep.witness
		j.tapWatch = j.press.start.Add(tap + tapLate)
	}
}

// A Handle is what is known of the operator's control handle.
type Handle struct {
	Known    bool
	Pressed  bool
	Inferred bool       // from the hose point, for want of a control point
	Since    si.Instant // of the last press or release; 0: out of sight
}

// Handle is the state of the control handle as of the newest sample.
func (j *Judge) Handle() Handle {
	if j.controlHealthy() {
		return Handle{Known: true, Pressed: j.control.pressed, Since: j.handleAt}
	}
	if j.traces[points.Hose].fresh(j.now, j.maxGap) && j.hose.state != hoseUnknown {
		return Handle{Known: true, Pressed: j.hose.state == hosePressed, Inferred: true, Since: j.handleAt}
	}
	return Handle{}
}
