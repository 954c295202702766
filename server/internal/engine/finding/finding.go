// Package finding holds the words for what is found of a pot's losses, its abrasive and its wear: one closed list, and each one's sentence
// for people. It is pure.
package finding

// A Finding says what has changed. The zero value is none.
type Finding uint8

// The findings.
const (
	None Finding = iota

	// Along the air's path: a change of one segment, or one that several have in common.
	SeparatorRestricted
	ValveRestricted
	MixingRestricted
	HoseRestricted
	MoreFlow
	InletLeak

	// Of the vessel against the hose point.
	Flooding
	Spitting

	// Of the abrasive.
	AbrasiveStopped
	StopUndecided
	PotEmpty

	// Of parts that wear slowly, and of the water in the separator.
	ExhaustRestricted
	NozzleWorn
	DrainDue

	count
)

// words are what findings are called in JSON, and what they say. There is no other place for their sentences.
var words = [count]struct{ name, says string }{
	None:                {"", ""},
	SeparatorRestricted: {"separator-restricted", "the moisture separator lets less air through than at the baseline: look at its element and its drain"},
	ValveRestricted:     {"valve-restricted", "the path from the separator into the vessel lets less air through than at the baseline: look at the inlet valve"},
	MixingRestricted:    {"mixing-restricted", "the path from the vessel past the mixing tee lets less air through than at the baseline: look at the choke valve and the push line"},
	HoseRestricted:      {"hose-restricted", "the blast hose loses more than its flow and its abrasive explain: look for a kink, a soft spot or a worn coupling"},
	MoreFlow:            {"more-flow", "more air flows than at the baseline for the same pressure at the nozzle: a worn nozzle, a leaner mix, or a leak behind the hose point; air alone for 20 s tells which"},
	InletLeak:           {"inlet-leak", "more air goes into the pot than its nozzle takes: look for an open drain, and for a leak at plug, handhole or exhaust; separator and inlet valve clogged together look the same"},
	Flooding:            {"flooding", "the vessel stands higher above the hose point than at the baseline, so abrasive is forced into the stream: is the choke valve fully open, does the push line leak?"},
	Spitting:            {"spitting", "the vessel has sunk towards the hose point, so air blows up through the metering valve and abrasive comes in fits: look for a leak at plug, handhole or exhaust"},
	AbrasiveStopped:     {"abrasive-stopped", "no abrasive flows, and there is some left: the metering is blocked. Release, let it vent, prove zero on the pot's own gauge, lock out, before anybody works at the metering valve"},
	StopUndecided:       {"stop-undecided", "no abrasive flows; whether the pot is empty or its metering blocked the next vent will tell"},
	PotEmpty:            {"pot-empty", "the pot blows air only: it has run empty"},
	ExhaustRestricted:   {"exhaust-restricted", "the exhaust lets less air through than it did, so that each vent takes longer: look at the silencer"},
	NozzleWorn:          {"nozzle-worn", "the nozzle's bore has grown past its limit: measure it, and replace it; where a larger one was put in, enter its bore in the pot's file"},
	DrainDue:            {"drain-due", "by the weather and temperatures written down the separator has caught as much water as it may hold: drain it. This is an estimate"},
}

// String is the finding's name in JSON; empty: none.
func (f Finding) String() string { return words[f].name }

// Says is what it says to people.
func (f Finding) Says() string { return words[f].says }

// All lists all but none.
func All() []Finding {
	out := make([]Finding, 0, count-1)
	for f := None + 1; f < count; f++ {
		out = append(out, f)
	}
	return out
}
