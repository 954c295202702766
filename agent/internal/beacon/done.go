package beacon

import (
	"time"

	"gritwatch/protocol/modbus"
)

const contactFunction = modbus.ReadDiscreteInputs

// lights is how long an external relay or a lamp's contact may take to follow.
const lights = 2 * time.Second

// quiet is how long a finding that goes on is not told again.
const quiet = time.Minute

// obeys is how long an output may read on after it was switched off; common practice, no source.
const obeys = 200 * time.Millisecond

// done takes what came of an action for this lamp.
func (p *lamp) done(a Action, now time.Time, value uint16, o Outcome) {
	switch a.what {
	case writeOff, writeOn:
		p.written(a, now, o)
	case readOutput:
		p.output.tried = now
		if o == Good {
			p.output.at, p.output.on = now, value != 0
			p.readBack(now, min(value, 1))
		}
	case readContact:
		p.contact.tried = now
		if o == Good {
			p.contact.at, p.contact.on = now, value != 0
			p.seen(now)
		}
	}
}

// written takes what came of a write.
func (p *lamp) written(a Action, now time.Time, o Outcome) {
	value := uint16(0)
	if a.Write.Value != 0 {
		value = 1
	}
	if p.sent = now; p.tried.IsZero() {
		p.tried = now
	}
	switch o {
	case Good:
		if value != p.value || !p.sure {
			p.edge = now
		}
		p.value, p.sure, p.missed = value, true, 0
		p.acked = p.acked || a.what == writeOff && !p.on
	case Refused:
		if p.missed++; a.what == writeOn && p.missed >= maxMiss && p.on {
			p.found(now, "its unit refuses to switch it on")
		}
	case NoAnswer, Unclear:
		p.missed++
		if value != p.value || !p.sure {
			p.edge = now
		}
		p.value, p.sure = value, false
	}
}

// readBack compares what the output reads with what it should.
func (p *lamp) readBack(now time.Time, value uint16) {
	toggled := p.cfg.Toggled()
	expected, sure := p.value, p.sure
	p.value, p.sure = value, true
	switch {
	case toggled && (!sure || expected == value):
	case toggled:
		p.edge = now
		p.found(now, "it was changed by somebody else")
	case p.on && value == 0 && sure && now.Sub(p.sent) < p.cfg.Watchdog:
		p.found(now, "it reads off while it should be on")
	case p.on:
	case value == 0:
		p.off = true
	case p.off:
		p.begin(now)
		p.found(now, "it was switched on by somebody else")
	case now.Sub(p.fell) > Critical:
		p.bar(now, "it has been on for over 2 s while it should be off")
	case p.acked && now.Sub(p.tried) > obeys && !p.deaf:
		p.deaf = true
		p.found(now, "it reads on after it was switched off")
	}
}

// seen compares what the contact shows with what it should.
func (p *lamp) seen(now time.Time) {
	toggled, on := p.cfg.Toggled(), p.contact.on
	switch {
	case p.on && on:
		p.sawOn = true
	case p.on && (p.sawOn || now.Sub(p.since) > lights) && (!toggled || now.Sub(p.edge) < Refresh+again):
		p.found(now, "its contact is off while it should be on")
	case p.on:
	case !on:
		if toggled {
			p.off = true
			p.dropped = p.dropped || p.sawOn
		}
	case toggled && p.off:
		p.found(now, "its contact is on while it should be off")
		p.off, p.fell = false, now
	case p.dark(now) > Critical:
		p.bar(now, "its contact has been on for over 2 s while it should be off")
	}
}

// dark is how long it has been put out, or left as it was.
func (p *lamp) dark(now time.Time) time.Duration {
	since := p.fell
	if p.edge.After(since) {
		since = p.edge
	}
	if p.relay.first.After(since) {
		since = p.relay.first
	}
	return now.Sub(since)
}

// found tells of something that is not as it should be, and keeps the lamp dark until another word was said.
func (p *lamp) found(now time.Time, why string) {
	p.await = true
	p.count++
	if why != p.last || now.Sub(p.lastAt) > quiet {
		p.last, p.lastAt = why, now
		p.tell(Faulty, why)
	}
	if p.on {
		p.fall(now, why)
	}
}

// bar keeps it dark until the next start.
func (p *lamp) bar(now time.Time, why string) {
	if p.barred != "" {
		return
	}
	p.barred = why
	p.count++
	p.tell(Fatal, why)
	if p.on {
		p.fall(now, why)
	}
}
