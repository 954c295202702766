package level

import (
	"math"

	"gritwatch/protocol/si"
)

// Numbers of a stop's cause. Those without a source are common practice.
const (
	rarer        = 0.2  // a blocked valve is five times rarer than an empty pot, and happens at any level
	surely       = 0.8  // probability with which a cause is said at once
	unlearned    = 2.0  // times likelier a cause must be after a vent that was not timed, and, without a nozzle point, of a pot of which neither end is known
	anyLevel     = 0.2  // of the pots of which neither end is known hold something else than they are taken for
	notFull      = 0.15 // of the pots were not full when the filter began: crews fill at set-up
	beginSD      = 0.05 // of what a pot begins with that is taken for full
	mostDrawn    = 1.3  // of capacity, since the filter began: the pot was filled, or the flow's factor is far off
	neverCame    = 30.0 // times likelier that a metering is blocked through which nothing came in a press, though in the one before it came to the end: of simulated pots none of a hundred that ran empty did so, and a third of those that were blocked
	mostCarried  = 100.0
	bleedsSD     = 0.04 // of the vent's time after a stop, for what bleeds through an empty pot's metering valve
	undecidedFor = 2    // seconds for which a stop whose cause is not told yet is not said: it mostly is by then
	// What a level, and what was drawn of a pot of which neither end was seen, may be off besides what is reckoned: an exhaust, a setting or a hose changed
	// meanwhile. Shares of the cases, and standard deviations; of simulated pots.
	levelAstray, levelFar = 0.01, 0.12
	drawnAstray, drawnFar = 0.1, 0.3
	drawnKnown            = 0.25 // of the variance that the filter gives what was drawn: as its calibration is free it reckons with more than there is, of simulated pots
	ventAstray            = 0.01 // density of a vent after a stop that fits neither cause, over that of one that fits
	judgedFor             = 20   // seconds of a stop in which its cause is judged again
)

// cause judges why no abrasive comes.
func (f *Filter) cause() Stop {
	switch p := f.ranDry(); {
	case p > surely:
		return Empty
	case p < 1-surely:
		return Blocked
	}
	return Undecided
}

// say says why no abrasive comes as soon as that is told, or has not been told for some seconds.
func (f *Filter) say(at si.Instant) {
	if word := f.cause(); word != Undecided || f.meter.stopped > undecidedFor {
		f.est.Stop, f.est.StopSince = word, at
	}
}

// judge judges again why no abrasive comes: as the stop goes on more is seen of it. A word that was said stays until the other one is likelier.
func (f *Filter) judge() {
	p := f.ranDry()
	switch {
	case p > surely:
		f.est.Stop = Empty
	case p < 1-surely:
		f.est.Stop = Blocked
	case f.est.Stop == Empty && p < 0.5, f.est.Stop == Blocked && p > 0.5:
		f.est.Stop = Undecided
	}
}

// ranDry is the probability that abrasive has stopped because the pot has run empty, and not because its metering is blocked: O/(1 + O) of (7).
func (f *Filter) ranDry() float64 {
	b := f.b
	f.drawnFrom(&b)
	b.notNegative(-3)
	// An empty pot would be believed near zero; a blocked one may hold anything.
	empty, blocked := believed(max(0, b.x[iShare]-emptyShare), b.p[iShare][iShare]+emptySD*emptySD+0.01*0.01), rarer
	switch {
	case f.anchored:
	case f.begun():
		empty, blocked = f.first(&b)
	default:
		empty = (1-anyLevel)*empty + anyLevel // the level is no more than a guess: the pot may as well hold anything
	}
	empty *= f.thinned() * f.air()
	return empty / (empty + blocked)
}

// believed is the density of what a level is off, with its variance. A few are off by far more than that: an exhaust, a setting or a hose changed meanwhile.
func believed(off, v float64) float64 {
	return float64((1-levelAstray)*normal(off, v)) + float64(levelAstray*normal(off, v+levelFar*levelFar))
}

// begun tells whether all that was drawn from a pot of which neither end was seen has been followed since the filter began.
func (f *Filter) begun() bool {
	return !f.anchored && f.est.Refills == 0 && f.meter.source != bySetting && f.whole*math.Exp(f.b.x[iFlow]) < mostDrawn
}

// first is how likely, as densities of what was drawn since the filter began, a pot of which neither end was seen has run empty, and that its
// metering is blocked: it began full, or with anything.
func (f *Filter) first(b *belief) (empty, blocked float64) {
	d := f.whole * math.Exp(b.x[iFlow])
	v := drawnKnown*b.p[iFlow][iFlow] + beginSD*beginSD // of what would be found drawn of a full pot
	far := v + drawnFar*drawnFar
	over := func(v float64) float64 { return math.Erfc((d-1)/math.Sqrt(2*v)) / 2 }
	fuller := (1-drawnAstray)*over(v) + drawnAstray*over(far) // the full pot held more than was drawn
	empty = (1-notFull)*(float64((1-drawnAstray)*normal(d-1, v))+float64(drawnAstray*normal(d-1, far))) + notFull*fuller
	blocked = rarer * ((1-notFull)*fuller + notFull*max(0, 1-d))
	return empty, max(blocked, 1e-3)
}

// air is how much likelier what was seen of the air's path in the stop is if the pot has run empty than if its metering is blocked.
func (f *Filter) air() float64 {
	if f.meter.source != byHose {
		return f.path.told(true)
	}
	return max(1/mostTold, min(mostTold, f.path.told(false)*f.tee.told()))
}

// thinned is how much likelier it is that the stream has ended as it did if the pot has run empty than if its metering is blocked. What is blocked stops at once,
// and the hose clears; the last abrasive of a pot comes thinner and thinner.
func (f *Filter) thinned() float64 {
	m := &f.meter
	switch {
	case m.source != byHose:
		return 1
	case !m.flown && f.carried > 0:
		return f.carried // the stop of the press before goes on
	case !m.flown && !f.faded && (f.anchored || f.begun()):
		return 1 / neverCame // it flowed to the end of the press before
	case !m.flown:
		return 1
	}
	if m.ending.told == 0 {
		return 1
	}
	return m.ending.told
}

// causeByVent judges by the vent after a stop why it stopped: by the level before, how the stream has ended, and what the vent says.
func (f *Filter) causeByVent(t, r, thinned float64) Stop {
	unit := f.sounds[ByVent].unit
	if unit == 0 {
		return f.est.Stop
	}
	s, v := f.b.x[iShare], f.b.p[iShare][iShare]
	like := func(d, v float64) float64 { return math.Exp(-d*d/(2*v)) / math.Sqrt(v) }
	// Of the level before the stop.
	ve := v + emptySD*emptySD + 0.01*0.01
	empty := believed(max(0, s-emptyShare), ve)
	blocked := rarer
	// Of the vent: through an empty pot's open metering valve air bleeds too.
	t /= unit
	r *= t
	e := f.b
	e.forget(iShare, emptyShare, emptySD)
	d, h := e.expect(ByVent, t, 0)
	hph, _ := e.gain(&h)
	empty *= like(d+0.04, hph+r*r+0.05*0.05) + ventAstray
	d, h = f.b.expect(ByVent, t, 0)
	hph, _ = f.b.gain(&h)
	same := like(d+0.03, hph+r*r+0.04*0.04) + ventAstray
	blocked *= same
	switch {
	case f.anchored:
	case f.begun():
		// Both causes leave the vessel's air what it was, but for that bleeding; the vent tells what was drawn.
		b := f.b
		d, h := b.expect(ByVent, t, 0)
		b.update(d+0.035, r*r+bleedsSD*bleedsSD, &h)
		if f.meter.source == byHose {
			b.notNegative(-3) // as before the vent: no more was drawn than there was
		}
		empty, blocked = f.first(&b)
	default:
		// A pot of which neither end was seen may have been as good as empty all the time: then its vents stay what they were.
		empty = float64((1-anyLevel)*empty) + float64(anyLevel*same)
	}
	least := 1.0
	if !f.anchored && f.meter.source != byHose {
		least = unlearned
	}
	switch p := empty * thinned / blocked; {
	case p > least:
		return Empty
	case p < 1/least || least == 1:
		return Blocked
	}
	return Undecided
}
