package vent

import (
	"fmt"
	"math/bits"

	"gritwatch/protocol/si"
)

// A Word is the answer to "may this vessel be opened?". The zero value is NotProven.
type Word uint8

// The words, from the one that claims least. Pressurised is the worst of the three for whoever wants to open.
const (
	NotProven Word = iota
	Pressurised
	Vented
)

var wordNames = [...]string{"not-proven", "pressurised", "vented"}

// String is the word as it stands in JSON, MQTT and metrics.
func (w Word) String() string { return wordNames[w] }

// IsVented tells whether w is the one word that lets a vessel be called open to the air.
func (w Word) IsVented() bool { return w == Vented }

// AllWords lists the words, for whoever must name each: metrics, generated types.
func AllWords() []Word { return []Word{NotProven, Pressurised, Vented} }

// ParseWord is the word of a name; any other text is NotProven with an error.
func ParseWord(name string) (Word, error) {
	for i, n := range wordNames {
		if n == name {
			return Word(i), nil
		}
	}
	return NotProven, fmt.Errorf("%q is not a word of the answer; words: vented, pressurised, not-proven", name)
}

// Worse is the word that counts where two judges differ: pressurised before not-proven before vented.
func Worse(a, b Word) Word {
	rank := [...]int{NotProven: 1, Pressurised: 2, Vented: 0}
	if rank[a] >= rank[b] {
		return a
	}
	return b
}

// A Code is one reason for an answer that is not vented. The list is closed; sentences for people are in Sentence.
type Code uint8

// The codes, in the order in which an answer lists them.
const (
	OverLimit           Code = iota // R1: the reading is over the limit
	Settling                        // R1: no unbroken 3 s under the limit yet
	UncertaintyTooLarge             // R1: U is over 5 kPa
	SensorFault                     // R1, R2: the gauge is proven outside its declared error, latched; or something else is found of it
	VesselBad                       // the vessel's reading is out of range or its loop failed
	VesselOld                       // R6: no fresh reading of the vessel
	NoVentSeen                      // R3: no press and vent seen in one run of samples
	NoSecondWitness                 // R4: neither control nor hose configured (R9: no hose)
	SecondWitnessSilent             // R4: configured, but not healthy now
	PressSinceRelease               // R4: a press was seen since the vent
	GaugeDoesNotFollow              // R4: a press that the vessel did not follow
	ControlPressed                  // R5
	HosePressure                    // R5
	NozzlePressure                  // R5
	LogTooSlow                      // replay: a log slower than 2 s never gives vented
	NoEcho                          // R6: the age of the readings cannot be told
	AgentSilent                     // the agent or this pot is reported dead, or was never heard
	GuardAbsent                     // R8: no fresh word of the guard at the pot
	GuardDiffers                    // R8: the guard's word is worse
	ConfigDiffers                   // R8: agent and server judge by different configurations
	RulesDiffer                     // R8: agent and server judge by different rules
	SecondAgent                     // R8: another agent claims this pot
	SecondSession                   // R8: two sessions of the agent are alive
	codeCount
)

var codes = [codeCount]struct{ name, sentence string }{
	OverLimit:           {"over-limit", "The vessel gauge reads above the limit."},
	Settling:            {"settling", "The gauge has not yet stayed under the limit for three unbroken seconds."},
	UncertaintyTooLarge: {"uncertainty-too-large", "The vessel gauge's declared error is too large to prove zero; record a zero or fit a better gauge."},
	SensorFault:         {"sensor-fault", "The vessel gauge is outside its declared error, or does not behave like a sound one; have it checked. A named person must record a zero or a service."},
	VesselBad:           {"vessel-bad", "The vessel gauge reads outside its range, or its loop has failed."},
	VesselOld:           {"vessel-old", "There is no fresh reading of the vessel gauge."},
	NoVentSeen:          {"no-vent-seen", "This gauge has not yet been seen to rise with a press and fall with its vent."},
	NoSecondWitness:     {"no-second-witness", "This pot has no second gauge that could contradict the vessel's."},
	SecondWitnessSilent: {"second-witness-silent", "The second gauge gives no good reading."},
	PressSinceRelease:   {"press-since-release", "The handle was pressed since the vent."},
	GaugeDoesNotFollow:  {"gauge-does-not-follow", "The vessel gauge did not follow a press: it may be shut off, plugged or on another vessel."},
	ControlPressed:      {"control-pressed", "The control handle is pressed."},
	HosePressure:        {"hose-pressure", "The blast hose still shows pressure."},
	NozzlePressure:      {"nozzle-pressure", "The nozzle still shows pressure."},
	LogTooSlow:          {"log-too-slow", "Readings come too seldom to prove anything."},
	NoEcho:              {"no-echo", "The age of the readings cannot be told yet."},
	AgentSilent:         {"agent-silent", "Nothing is heard from the agent at this pot."},
	GuardAbsent:         {"guard-absent", "The guard at the pot gives no word."},
	GuardDiffers:        {"guard-differs", "The guard at the pot does not say vented."},
	ConfigDiffers:       {"config-differs", "Agent and server have different configurations for this pot."},
	RulesDiffer:         {"rules-differ", "Agent and server judge by different rules."},
	SecondAgent:         {"second-agent", "Another agent claims this pot."},
	SecondSession:       {"second-session", "Two sessions of this pot's agent are alive."},
}

// AllCodes lists every code, in order.
func AllCodes() []Code {
	out := make([]Code, codeCount)
	for i := range out {
		out[i] = Code(i)
	}
	return out
}

// String is the code as it stands in JSON.
func (c Code) String() string { return codes[c].name }

// Sentence is what the code says, for people.
func (c Code) Sentence() string { return codes[c].sentence }

// Codes is a set of codes. It lists them in their fixed order.
type Codes uint32

// CodesOf is the set of the codes given.
func CodesOf(cs ...Code) Codes {
	var s Codes
	for _, c := range cs {
		s |= 1 << c
	}
	return s
}

// Has tells whether c is in the set.
func (s Codes) Has(c Code) bool { return s&(1<<c) != 0 }

// With is the set with c added.
func (s Codes) With(c Code) Codes { return s | 1<<c }

// Strings lists the codes' names, in order; never nil.
func (s Codes) Strings() []string {
	out := make([]string, 0, bits.OnesCount32(uint32(s)))
	for c := Code(0); c < codeCount; c++ {
		if s.Has(c) {
			out = append(out, c.String())
		}
	}
	return out
}

// An Answer is what may be said of opening a vessel, and why. Because is empty exactly when the word is Vented.
// At is the instant of the oldest reading the word rests on among the newest of each gauge it needs; zero where
// none stands behind it.
type Answer struct {
	Word    Word
	Because Codes
	At      si.Instant
}
