package beacon

import (
	"fmt"
	"slices"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/modbus"
)

// A phase of the proof of a watchdog.
type phase uint8

const (
	phaseClear phase = iota // until every output with the watchdog reads off; then the test output is energised
	phaseSeen               // it is energised, and must read so
	phaseRest               // the unit is left alone, then the test output must read off
	phaseOff                // the test output is switched off
	phaseDone
	phaseFailed
)

// relay is one unit.
type relay struct {
	line     *Line
	unit     uint8
	watchdog time.Duration // 0: no beacon of it needs one
	prove    *config.Output
	lamps    []*lamp

	missed int       // requests in a row without an answer
	again  time.Time // before it a unit that does not answer is not asked
	first  time.Time // when it first answered since it was away
	heard  time.Time // when it last answered
	rest   time.Time // before it nothing is asked

	phase   phase
	step    time.Time // when the phase goes on
	tries   int
	dropped bool   // the test output did
	why     string // phaseFailed
}

func newRelay(u config.Unit, l *Line) *relay {
	r := &relay{line: l, unit: u.Unit}
	for _, b := range u.Beacons {
		r.lamps = append(r.lamps, &lamp{cfg: b, relay: r})
		if !b.Toggled() {
			r.watchdog = b.Watchdog
		}
		if b.Prove != nil {
			r.prove = b.Prove
		}
	}
	return r
}

// answers tells whether the unit does.
func (r *relay) answers() bool { return !r.heard.IsZero() && r.missed < maxMiss }

// answered takes note of an answer, after which a unit that was away has to be proven anew: it may be another one.
func (r *relay) answered(now time.Time) (away bool) {
	r.missed = 0
	away = r.heard.IsZero() || r.silence(now) > gone
	r.heard = now
	if !away {
		return false
	}
	r.first = now
	if r.phase != phaseFailed {
		r.phase, r.step, r.tries = phaseClear, now, 0
	}
	for _, p := range r.lamps {
		p.dropped, p.sawOn, p.rested, p.sure = false, false, false, false
		if p.on {
			p.fall(now, "its unit was away")
		} else {
			p.begin(now)
		}
	}
	return true
}

// silence is how long it did not answer until now, but for the time in which it was left alone.
func (r *relay) silence(now time.Time) time.Duration {
	d := now.Sub(r.heard)
	if from := later(r.rest.Add(-r.watchdog-margin), r.heard); now.After(from) && r.rest.After(from) {
		d -= min(now.Sub(from), r.rest.Sub(from))
	}
	return d
}

// decide lets every lamp follow its word.
func (r *relay) decide(now time.Time, may func(pot string) bool) {
	for _, p := range r.lamps {
		p.decide(now, may(p.cfg.Pot))
	}
	for _, p := range r.lamps {
		if at := p.starves(); !at.IsZero() && !now.Before(at) {
			p.starved = true
			r.leave(now)
		}
	}
}

// leave leaves the unit alone until its watchdog must have run out.
func (r *relay) leave(now time.Time) { r.rest = now.Add(r.watchdog + margin) }

// turns is when decide has something to do of its own.
func (r *relay) turns() (at time.Time) {
	for _, p := range r.lamps {
		if s := p.starves(); !s.IsZero() && (at.IsZero() || s.Before(at)) {
			at = s
		}
	}
	return at
}

// candidates are what is to be done and when, each at the earliest.
func (r *relay) candidates(now time.Time, consider func(at, notBefore time.Time, a Action, canWait bool)) {
	paced := r.rest
	if r.missed > 0 {
		paced = later(r.rest, r.again)
	}
	// While "off" is not confirmed nothing is read: what waits in a slow unit keeps "off" out of it, and feeds it late.
	trying := slices.ContainsFunc(r.lamps, (*lamp).trying)
	for _, p := range r.lamps {
		notBefore := paced
		if !p.on && now.Before(p.fell.Add(tryOff)) {
			notBefore = r.rest // what has to go out does not wait for a unit to answer
		}
		if at, a, ok := p.needs(now, notBefore); ok {
			consider(at, notBefore, a, !p.on && p.off)
		}
		if !trying {
			p.reads(func(at time.Time, a Action) { consider(at, paced, a, true) })
		}
	}
	if a, ok := r.proof(); ok && !trying {
		consider(r.step, paced, a, true)
	}
}

// proof is the next step of the proof of the watchdog.
func (r *relay) proof() (Action, bool) {
	if r.watchdog == 0 || r.prove == nil {
		return Action{}, false
	}
	switch r.phase {
	case phaseClear:
		for _, p := range r.lamps {
			if !p.cfg.Toggled() && (!p.off || p.on) {
				return Action{}, false
			}
		}
		return r.test(testOn), true
	case phaseSeen:
		return r.test(testSeen), true
	case phaseRest:
		return r.test(testDropped), true
	case phaseOff:
		return r.test(testOff), true
	}
	return Action{}, false
}

// test is a step with the test output.
func (r *relay) test(w what) Action {
	switch w {
	case testOn:
		return r.writing(*r.prove, w, 1)
	case testOff:
		return r.writing(*r.prove, w, 0)
	}
	return Action{Unit: r.unit, Function: r.prove.Function(), Address: r.prove.Address, what: w, relay: r}
}

func (r *relay) writing(o config.Output, w what, value uint16) Action {
	a := Action{Unit: r.unit, what: w, relay: r, Write: modbus.Coil(r.unit, o.Address, value != 0)}
	if o.Register {
		a.Write = modbus.Register(r.unit, o.Address, value)
	}
	return a
}

// tested takes what came of a step of the proof.
func (r *relay) tested(a Action, now time.Time, value uint16, o Outcome) {
	switch {
	case a.what == testOff && o == Good:
		r.ends()
	case a.what == testOff:
		r.step = now.Add(pace)
		if r.tries++; r.tries >= maxTries && o == Refused {
			r.ends()
		}
	case o == Refused:
		r.trouble(now, fmt.Sprintf("the unit refuses %s, the test output", *r.prove))
	case o != Good && a.what == testDropped:
		r.step = now.Add(again)
	case o != Good:
		r.phase, r.step = phaseClear, now.Add(pace)
	case a.what == testOn:
		r.phase, r.step = phaseSeen, now
	case a.what == testSeen && value == 0:
		r.trouble(now, fmt.Sprintf("%s, the test output, reads off after it was switched on", *r.prove))
	case a.what == testSeen:
		r.leave(now)
		r.phase, r.step = phaseRest, r.rest
	case a.what == testDropped:
		r.dropped = value == 0
		if r.phase, r.step, r.tries = phaseOff, now, 0; !r.dropped {
			r.why = fmt.Sprintf("%s, the test output, is still on %s after the unit was left alone: set the relay's watchdog to %s, for all outputs", *r.prove, span(r.watchdog+margin), span(r.watchdog))
		}
	}
}

// trouble begins the proof again a few times, and then gives it up.
func (r *relay) trouble(now time.Time, why string) {
	r.phase, r.step = phaseClear, now.Add(pace)
	if r.tries++; r.tries >= maxTries {
		r.why, r.dropped, r.phase, r.step, r.tries = why, false, phaseOff, now, 0
	}
}

// ends the proof, well or not.
func (r *relay) ends() {
	kind, why := Proven, "its relay's watchdog drops out"
	r.phase = phaseDone
	if !r.dropped {
		r.phase, kind, why = phaseFailed, Unproven, r.why
	}
	for _, p := range r.lamps {
		if !p.cfg.Toggled() {
			p.tell(kind, why)
		}
	}
}
