package beacon

import (
	"time"

	"gritwatch/agent/internal/config"
)

// lamp is one beacon.
type lamp struct {
	cfg   config.Beacon
	relay *relay

	on    bool      // it should be lit
	since time.Time // then: since when
	fell  time.Time // else: since when it should be dark, and with foreign hands, since it was found on again
	acked bool      // else: the unit has confirmed "off"
	off   bool      // else: it was read to be off, since it fell
	deaf  bool      // else: it was read to be on, after "off" was confirmed

	value  uint16    // that the output has, as far as is known
	sure   bool      // it is known
	sent   time.Time // the last write, since it fell or was lit
	tried  time.Time // the first one
	edge   time.Time // the last write that may have changed the value
	missed int       // writes in a row without success

	output, contact reading

	starved bool   // since it fell the unit was left to its watchdog
	await   bool   // another word must be said before it may be lit again
	sawOn   bool   // the contact has read on since it was last lit
	dropped bool   // change: and then off, once since the unit was last away
	barred  string // until the next start
	said    bool   // that it is hopeless
	rested  bool   // change: it was said that it is off at rest

	count  int       // findings
	last   string    // the last one
	lastAt time.Time // when it was told
}

// reading is what was read of an output or a contact.
type reading struct {
	tried, at time.Time
	on        bool
}

func (p *lamp) tell(k Kind, why string) {
	p.relay.line.tell(Event{Kind: k, Pot: p.cfg.Pot, Unit: p.relay.unit, Output: p.cfg.Output, Why: why, Count: p.count})
}

// hopeless says why the beacon can never be lit, by its configuration.
func (p *lamp) hopeless() string {
	switch {
	case p.cfg.Toggled() && p.cfg.Contact == nil:
		return hopelessChange
	case !p.cfg.Toggled() && p.relay.prove == nil:
		return hopelessWatchdog
	}
	return ""
}

// proven tells whether it is proven to drop out as far as it can be in the dark, or why not.
func (p *lamp) proven(now time.Time) (bool, string) {
	if why := p.hopeless(); why != "" {
		return false, why
	}
	r := p.relay
	if !p.cfg.Toggled() {
		switch r.phase {
		case phaseDone:
			return true, "its relay's watchdog drops out"
		case phaseFailed:
			return false, r.why
		}
		return false, "its relay is not proven to drop out yet"
	}
	at := r.first.Add(Critical)
	if r.first.IsZero() || now.Before(at) || p.contact.at.Before(at) && !p.dropped || !p.on && p.contact.on {
		return false, "its contact is not proven to be off at rest yet"
	}
	return true, "its contact is off at rest; that it drops out is seen when it is first lit"
}

// obstacle is why it may not be lit; "" where it may.
func (p *lamp) obstacle(now time.Time, may bool) string {
	r := p.relay
	switch ok, why := p.proven(now); {
	case p.barred != "":
		return p.barred
	case !may:
		return "the guard at the pot does not say it any more"
	case now.Before(r.rest):
		return "its unit is left to its watchdog"
	case !r.answers():
		return "its unit does not answer"
	case !ok:
		return why
	case p.await:
		return "the guard at the pot must say another word first"
	case p.on && p.missed >= maxMiss:
		return "its writes fail"
	case p.on && (now.Sub(p.output.at) > 2*ReadBack || p.cfg.Contact != nil && now.Sub(p.contact.at) > 2*ReadBack):
		return "it cannot be read back"
	case p.on && p.cfg.Toggled() && p.sawOn && !p.dropped:
		return "it must drop out once first"
	}
	return ""
}

// decide follows the word.
func (p *lamp) decide(now time.Time, may bool) {
	if p.fell.IsZero() {
		p.fell = now
	}
	if !may {
		p.await = false
	}
	if why := p.hopeless(); why != "" && !p.said {
		p.said = true
		p.tell(Unproven, why)
	}
	if ok, how := p.proven(now); ok && p.cfg.Toggled() && !p.rested {
		p.rested = true
		p.tell(Proven, how)
	}
	why := p.obstacle(now, may)
	switch {
	case p.on && why != "":
		p.fall(now, why)
	case !p.on && why == "" && p.off && p.sure && p.fresh(now) && !p.contact.on:
		p.on, p.since, p.missed, p.sent, p.sawOn = true, now, 0, time.Time{}, false
		p.tell(Lit, "")
	}
}

// fresh tells whether it was read back lately.
func (p *lamp) fresh(now time.Time) bool {
	return now.Sub(p.output.at) <= 2*ReadBack && (p.cfg.Contact == nil || now.Sub(p.contact.at) <= 2*ReadBack)
}

// fall puts it out.
func (p *lamp) fall(now time.Time, why string) {
	p.on = false
	p.begin(now)
	p.tell(Dark, why)
}

// begin begins to put it out, or to see that it is.
func (p *lamp) begin(now time.Time) {
	p.fell, p.acked, p.off, p.deaf, p.starved = now, false, false, false, false
	p.sent, p.tried = time.Time{}, time.Time{}
}

// starves is when its unit is to be left to its watchdog, for "off" did not help; zero: never.
func (p *lamp) starves() time.Time {
	if p.on || p.off || p.acked && !p.deaf || p.starved || p.cfg.Toggled() || p.tried.IsZero() {
		return time.Time{}
	}
	return p.tried.Add(tryOff)
}

// trying tells whether "off" is being tried, and not confirmed.
func (p *lamp) trying() bool {
	return !p.on && !p.acked && !p.off && !p.starved && !p.cfg.Toggled() && !p.fell.IsZero()
}

// needs is the write that it needs and when; not ok where it needs none. It is not sent before the time given.
func (p *lamp) needs(now, notBefore time.Time) (at time.Time, a Action, ok bool) {
	switch {
	case p.fell.IsZero():
		return at, a, false
	case p.on:
		return p.refresh(), p.write(writeOn, p.next()), true
	case p.cfg.Toggled():
		at = p.tryAt()
		// Only at once: any later write may be the change that lights it.
		ok = (p.value != 0 || !p.sure) && !p.edge.IsZero() && p.edge.Add(Refresh+tryOff).After(p.fell) &&
			later(later(now, at), notBefore).Before(p.fell.Add(tryOff))
		return at, p.write(writeOff, 0), ok
	case p.off && p.sent.After(p.fell.Add(insist)):
		return at, a, false
	case p.off || p.acked || p.starved:
		return p.sent.Add(pace), p.write(writeOff, 0), true
	}
	return p.tryAt(), p.write(writeOff, 0), true
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// refresh is when the write is due that keeps it lit.
func (p *lamp) refresh() time.Time {
	switch {
	case p.sent.IsZero():
		return p.since
	case p.missed > 0:
		return p.sent.Add(again)
	}
	return p.sent.Add(max(Limit(p.cfg)-p.relay.line.o.Busy, again))
}

// next is the value that keeps it lit. Where it is the change that does, and the last one was not confirmed, that one
// is made again: if it was made, nothing is lost, and no change is missed if it was not.
func (p *lamp) next() uint16 {
	switch {
	case !p.cfg.Toggled():
		return 1
	case p.sure:
		return 1 - p.value
	}
	return p.value
}

// tryAt is when "off" is tried: at once, then again and again.
func (p *lamp) tryAt() time.Time {
	if p.sent.IsZero() {
		return p.fell
	}
	return p.sent.Add(again)
}

func (p *lamp) write(w what, value uint16) Action {
	a := p.relay.writing(p.cfg.Output, w, value)
	a.lamp = p
	return a
}

// reads are the readings back that it needs and when.
func (p *lamp) reads(consider func(at time.Time, a Action)) {
	if p.fell.IsZero() || !p.cfg.Toggled() && p.sent.IsZero() {
		return // it is written to first
	}
	every := ReadBack
	if !p.on && !p.off || p.cfg.Toggled() && p.on && !p.sawOn {
		every = soon
	}
	a := Action{Unit: p.relay.unit, Function: p.cfg.Output.Function(), Address: p.cfg.Output.Address, what: readOutput, relay: p.relay, lamp: p}
	consider(readAgain(p.output, every, p.fell), a)
	if p.cfg.Contact != nil {
		a.Function, a.Address, a.what = contactFunction, *p.cfg.Contact, readContact
		consider(readAgain(p.contact, every, p.fell), a)
	}
}

func readAgain(r reading, every time.Duration, start time.Time) time.Time {
	if r.tried.IsZero() {
		return start
	}
	return r.tried.Add(every)
}
