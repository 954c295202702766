package config

import (
	"fmt"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
)

// MaxWatchdog is the longest host watchdog of a relay that may switch a beacon: an agent that dies must not leave it
// lit for longer. Shorter than minWatchdog is common practice, no source.
const minWatchdog, MaxWatchdog = 300 * time.Millisecond, 2 * time.Second

// A Beacon is an output of a unit that lights a lamp at a pot while the guard there says its best word.
type Beacon struct {
	Pot      string
	Output   Output
	Watchdog time.Duration // the relay drops out when it hears nothing for so long; 0: the value is toggled
	Prove    *Output       // an unused output of the same relay, to prove the watchdog with; nil: none
	Contact  *uint16       // the discrete input that shows whether the lamp has current; nil: none
}

// Toggled tells whether an external relay is lit by the value's changing.
func (b Beacon) Toggled() bool { return b.Watchdog == 0 }

// An Output is a coil, or a holding register in which 1 is on and 0 is off.
type Output struct {
	Register bool
	Address  uint16 // as on the wire, counted from 0
}

// String is the output as it stands in the file.
func (o Output) String() string {
	if o.Register {
		return fmt.Sprintf("register %d", o.Address)
	}
	return fmt.Sprintf("coil %d", o.Address)
}

// Function is the one that reads o.
func (o Output) Function() modbus.Function {
	if o.Register {
		return modbus.ReadHoldingRegisters
	}
	return modbus.ReadCoils
}

// readBeacons reads the beacons of a unit, of which reads are read.
func readBeacons(um yamlfile.Map, a *assignments, reads []Read) []Beacon {
	list := um.Maps("beacons")
	if len(list) == 0 {
		um.Fail("beacons", "has none", "write for example {pot: alder, coil: 0, watchdog: 2 s, prove: {coil: 7}}")
	}
	var out []Beacon
	for _, m := range list {
		b := Beacon{Pot: m.String("pot")}
		if b.Pot != "" && a.pot(b.Pot) == nil {
			a.unknownPot(m, b.Pot)
		}
		b.Output = readOutput(m, reads)
		readDropOut(m, &b)
		if m.Has("prove") {
			o := readOutput(m.Map("prove"), reads)
			b.Prove = &o
		}
		if m.Has("contact") {
			c := uint16(m.Int("contact", 0, 65535))
			b.Contact = &c
			if ownedBy(reads, modbus.ReadDiscreteInputs, c) {
				m.Fail("contact", fmt.Sprintf("%d is read as a point", c), "the contact shows the beacon's lamp alone; look at the address")
			}
		}
		checkAmong(m, b, out)
		out = append(out, b)
	}
	checkProve(list, out)
	return out
}

// readDropOut reads what puts the lamp out when the agent dies.
func readDropOut(m yamlfile.Map, b *Beacon) {
	const either = "write toggle: true for an external relay that is lit only while the value changes, or watchdog: 2 s for a relay that drops out by itself when it hears nothing"
	toggle := m.Optional().Bool("toggle")
	switch {
	case toggle && m.Has("watchdog"):
		m.Fail("toggle", "stands beside watchdog", either)
	case toggle:
		if m.Has("prove") {
			m.Fail("prove", "is for a watchdog", "what lights by toggling is proven by contact: N, the discrete input that shows it")
		}
	case m.Has("watchdog"):
		b.Watchdog = m.Duration("watchdog")
		if b.Watchdog != 0 && (b.Watchdog < minWatchdog || b.Watchdog > MaxWatchdog) {
			m.Fail("watchdog", fmt.Sprintf("%v is not from %v to %v", b.Watchdog, minWatchdog, MaxWatchdog), "set the relay itself to so long; a beacon must be out 3 s after the agent died")
		}
	default:
		m.Fail("watchdog", "is missing, and so is toggle: the beacon would stay lit when the agent dies", either)
	}
}

func readOutput(m yamlfile.Map, reads []Read) Output {
	coil, register := m.Has("coil"), m.Has("register")
	key := "coil"
	switch {
	case coil && register:
		m.Fail("register", "stands beside coil", "one output has one address")
	case register:
		key = "register"
	case !coil:
		m.Fail("coil", "is missing", "write coil: N (function 05) or register: N (function 06); N as on the wire, counted from 0")
		return Output{}
	}
	o := Output{Register: register, Address: uint16(m.Int(key, 0, 65535))}
	if ownedBy(reads, o.Function(), o.Address) {
		m.Fail(key, fmt.Sprintf("%d is read as a point", o.Address), "a point is never written to; look at the address")
	}
	return o
}

func ownedBy(reads []Read, fn modbus.Function, addr uint16) bool {
	for _, r := range reads {
		if r.Function == fn && addr >= r.Address && int(addr) < int(r.Address)+r.Type.Size() {
			return true
		}
	}
	return false
}

// checkAmong refuses what two beacons of one unit cannot share.
func checkAmong(m yamlfile.Map, b Beacon, others []Beacon) {
	for _, o := range others {
		if o.Output == b.Output {
			m.Fail(b.Output.key(), fmt.Sprintf("%d is the beacon of %s already", b.Output.Address, o.Pot), "one output lights one beacon")
		}
		if o.Contact != nil && b.Contact != nil && *o.Contact == *b.Contact {
			m.Fail("contact", fmt.Sprintf("%d shows the beacon of %s already", *b.Contact, o.Pot), "every lamp has a contact of its own")
		}
		if !o.Toggled() && !b.Toggled() && o.Watchdog != b.Watchdog {
			m.Fail("watchdog", fmt.Sprintf("differs from the %v of another beacon of this unit", o.Watchdog), "a unit has one watchdog")
		}
		if o.Prove != nil && b.Prove != nil && *o.Prove != *b.Prove {
			m.Fail("prove", "differs from that of another beacon of this unit", "one unused output proves the watchdog of the whole unit")
		}
	}
}

// checkProve refuses a test output that is a beacon's.
func checkProve(list []yamlfile.Map, beacons []Beacon) {
	for i, m := range list {
		for _, o := range beacons {
			if p := beacons[i].Prove; p != nil && *p == o.Output {
				m.Fail("prove", fmt.Sprintf("%s is the beacon of %s", *p, o.Pot), "the proof energises this output: it must be one on which nothing hangs")
				break
			}
		}
	}
}

func (o Output) key() string {
	if o.Register {
		return "register"
	}
	return "coil"
}
