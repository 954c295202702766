package alarm

import (
	"fmt"
	"slices"
)

// A Priority says how soon somebody must act. The greater one is the more urgent.
type Priority uint8

// The priorities.
const (
	Low      Priority = iota // at the next occasion
	Medium                   // today
	High                     // soon: somebody waits, or work is spoilt
	Critical                 // now: people are at risk

	Priorities = 4 // how many there are
)

var priorityNames = [Priorities]string{"low", "medium", "high", "critical"}

// String is the priority's name in JSON, records and metrics.
func (p Priority) String() string { return priorityNames[p] }

// ParsePriority is the priority of a name.
func ParsePriority(name string) (Priority, error) {
	if i := slices.Index(priorityNames[:], name); i >= 0 {
		return Priority(i), nil
	}
	return 0, fmt.Errorf("%q is not a priority; priorities: %v", name, priorityNames)
}

// A Kind is what an alarm tells.
type Kind uint8

// The kinds. The first ones are those of package vent's conditions, in its order.
const (
	VentSlow          Kind = iota // the vent runs slower than any healthy one of this pot
	VesselHeld                    // after a release the vessel holds pressure, and the vent is over or stalls
	PressureCreep                 // the vessel rises while the handle is released, by more than a rebound
	StopSlow                      // the blast goes on too long after the release
	OverPressure                  // over the vessel's rating
	SupplyBelowVessel             // the supply has fallen under a vessel that is up
	PressOverlong                 // a press of impossible length
	VesselUnknown                 // the vessel's pressure is not known
	PotEmptySoon                  // minutes of abrasive left
	PotEmpty                      // air only: no abrasive is left
	AbrasiveStopped               // air only, with abrasive left
	ConfigDoubt                   // the pot is not as it is configured
	NozzleLow                     // under target while blasting
	SupplyLow                     // the supply cannot keep up
	SeparatorRestricted
	ValveRestricted
	MixingRestricted
	HoseRestricted
	ExhaustRestricted
	NozzleWorn  // the bore has grown past its limit
	DrainDue    // water since the last drain
	SensorFault // of one point's gauge, and one way of going wrong
	AgentSilent // nothing is heard from an agent
	ClockSkew   // an agent's clock is off

	Kinds = 24 // how many there are
)

var kindNames = [Kinds]string{"vent-slow", "vessel-held", "pressure-creep", "stop-slow", "over-pressure", "supply-below-vessel",
	"press-overlong", "vessel-unknown", "pot-empty-soon", "pot-empty", "abrasive-stopped", "config-doubt", "nozzle-low", "supply-low",
	"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "exhaust-restricted", "nozzle-worn",
	"drain-due", "sensor-fault", "agent-silent", "clock-skew"}

// String is the kind's name in JSON, records and metrics.
func (k Kind) String() string { return kindNames[k] }

// ParseKind is the kind of a name.
func ParseKind(name string) (Kind, error) {
	if i := slices.Index(kindNames[:], name); i >= 0 {
		return Kind(i), nil
	}
	return 0, fmt.Errorf("%q is not a kind of alarm of this version", name)
}

// A Key is what there is at most one open alarm of.
type Key struct {
	Pot   string // empty: of an agent
	Agent string // empty: of a pot
	Kind  Kind
	Point string // SensorFault: of the gauge; else empty
	Fault string // SensorFault: in which way; else empty
}

// priority is that of an alarm of this key. A gauge is critical where its fault makes the vessel's pressure unknown.
func (k Key) priority() Priority {
	if k.Kind == SensorFault && k.Point == vesselPoint && blinds(k.Fault) {
		return Critical
	}
	return rules[k.Kind].Priority
}
