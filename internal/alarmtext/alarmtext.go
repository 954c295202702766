// Package alarmtext is what people are told of alarms: one catalogue for the page, mail, webhook and API. It comes from
// the trade's practice, and none of it tells anybody to open a vessel.
package alarmtext

import (
	"maps"
	"slices"
)

// Words are what people are told of an alarm.
type Words struct {
	Says        string   // what it is, one sentence
	Consequence string   // what it leads to if nobody acts
	Causes      []string // the likeliest first
	Do          []string // in this order
}

// AnswerRule stands beside every alarm, and beside the end of one.
const AnswerRule = "Only the answer says whether this vessel may be thought without pressure. No alarm says so, nor its end, nor that somebody acknowledged it. " +
	"Check the gauge on the pot, isolate and lock out."

// SensorFault is the kind whose words depend on the gauge's fault.
const SensorFault = "sensor-fault"

// Words of a fault by which the vessel's gauge no longer shows the pressure.
const (
	// BlindConsequence takes the place of the kind's.
	BlindConsequence = "The vessel's pressure is not known; the answer stays not proven."
	// BlindDo is to be done before all else.
	BlindDo = "Treat the vessel as pressurised; use a second gauge."
)

// Of is what people are told of a kind of alarm, by its name; the zero value where there is no such kind. Of a gauge's fault Says
// and Causes are those of the fault. blind tells that it is the vessel's gauge, and that the pressure is not known for it.
func Of(kind, fault string, blind bool) Words {
	w := catalogue[kind]
	if kind != SensorFault {
		return w
	}
	if x, ok := faults[fault]; ok {
		w.Says, w.Causes = x.Says, x.Causes
	}
	if blind {
		w.Consequence = BlindConsequence
		w.Do = append([]string{BlindDo}, w.Do...)
	}
	return w
}

// Kinds are the names of all kinds of alarms, sorted.
func Kinds() []string { return slices.Sorted(maps.Keys(catalogue)) }

// Faults are the names of all ways in which a gauge goes wrong, sorted.
func Faults() []string { return slices.Sorted(maps.Keys(faults)) }

// AfterZero begins what may be done only then.
const AfterZero = afterZero

const (
	keepAway   = "Treat the vessel as pressurised; keep everybody clear of filling port, handhole and clean-out."
	closeAir   = "Shut the air valve at the pot and at the source; lock and tag both."
	ventByHand = "Vent by the manual blowdown from beside its exhaust, with ears covered, and leave it as it is until zero is proven."
	proveZero  = "Prove zero by all signs: the pot's gauge has been seen to move down to zero, the screen's answer agrees, the blowdown is silent, the plug has dropped."
	afterZero  = "Only after zero is proven and the air is locked out:"
)

var catalogue = map[string]Words{
	"vent-slow": {
		Says:        "The vent runs slower than any healthy vent of this pot could.",
		Consequence: "Somebody counts on the usual seconds and works on a vessel that still holds pressure.",
		Causes:      []string{"silencer loaded with grit or iced up", "exhaust valve half shut or sticking", "hose on the exhaust kinked", "more air in the vessel than usual, as it is nearly without abrasive"},
		Do:          []string{keepAway, "Wait, and listen to the whole vent.", proveZero, afterZero + " clean or thaw the silencer, look at the exhaust valve."},
	},
	"vessel-held": {
		Says:        "After the release the vessel still holds pressure, and the vent is over or has stalled.",
		Consequence: "A cover that is undone under pressure kills; a quiet exhaust may be blocked and not finished.",
		Causes:      []string{"exhaust valve stuck, blocked or frozen", "silencer plugged", "inlet valve leaks air in", "pot holds its pressure by design and is not configured so"},
		Do:          []string{keepAway, closeAir, ventByHand, proveZero, afterZero + " clean the silencer, service the exhaust valve."},
	},
	"pressure-creep": {
		Says:        "The vessel's pressure rises while the control handle is released, by more than the rebound after a vent.",
		Consequence: "The sealing plug can slam shut and grit blow out, on fingers and faces at the filling port.",
		Causes:      []string{"seat of the inlet valve leaks", "control line keeps some pressure", "exhaust shut while the inlet leaks"},
		Do:          []string{"Get everybody away from the filling port.", closeAir, ventByHand, proveZero + " Keep proving it while anybody works there.", afterZero + " reseat the inlet valve."},
	},
	"stop-slow": {
		Says:        "The blast goes on too long after the release.",
		Consequence: "An operator who falls or lets go is cut by the stream.",
		Causes:      []string{"inlet valve stuck by grit or a broken spring", "slow exhaust", "long blast hose or long control lines", "metering seat worn", "line of the handle crushed or frozen"},
		Do:          []string{"If it does not stop: shut the air at the pot and use the manual blowdown.", "Do not blast until a function test with a watch has shown the stopping time.", afterZero + " repair the valve or the handle's lines."},
	},
	"over-pressure": {
		Says:        "The vessel is over its rating.",
		Consequence: "Vessel, hose and couplings are loaded beyond what they were made for.",
		Causes:      []string{"compressor or regulator set too high", "relief valve set wrong, painted over or stuck", "gauge reads wrong, or its range is configured wrong"},
		Do:          []string{"Release; get everybody clear of the pot.", "Lower the air at the compressor.", "Do not use the pot until relief valve and gauge were checked by somebody competent."},
	},
	"supply-below-vessel": {
		Says:        "The vessel holds more pressure than the supply gives: the pot flows backwards.",
		Consequence: "Air flows back and carries grit into valves and control lines; later the pot starts and stops slowly.",
		Causes:      []string{"compressor stopped or unloaded before the vent", "supply hose parted, or a valve shut upstream", "another user takes the air"},
		Do: []string{"If a supply hose has parted: keep clear of it, and shut the air at the source.", "Release and let the vessel vent: it is pressurised, though the supply is gone.", proveZero,
			afterZero + " look for grit in valves and control lines; clean or replace what it has fouled.", "Before the next blast: function test with the handle, whether the pot starts and stops at once.",
			"At the end of work: vent first, then stop the compressor."},
	},
	"press-overlong": {
		Says:        "The control handle has been pressed for 45 minutes without a release. Is it tied or jammed?",
		Consequence: "A handle that cannot let go does not stop the stream when the operator falls.",
		Causes:      []string{"handle jammed, taped or tied", "its vent port plugged, its line crushed or frozen", "control point wired or configured the wrong way round"},
		Do:          []string{"Ask the operator; look at the lever.", "If the blast goes on after the release: shut the air at the pot, use the manual blowdown.", "Function test of the handle before use."},
	},
	"vessel-unknown": {
		Says:        "The vessel's pressure is not known: its gauge has failed, is silent, or another point contradicts it.",
		Consequence: "Nobody can tell from here whether the vessel holds pressure.",
		Causes:      []string{"gauge, wire or loop failed", "port plugged with grit or ice", "gauge shut off or on another vessel", "hose plugged with air trapped in it", "radio or serial line disturbed"},
		Do:          []string{"Treat the vessel as pressurised.", "Read the gauge on the pot; one gauge is no proof, grit plugs ports.", "Mend the gauge or its line; the answer comes back after the next press and vent that it shows."},
	},
	"pot-empty-soon": {
		Says:        "The abrasive lasts only minutes more.",
		Consequence: "The operator blows air, and waits for the refill.",
		Causes:      []string{"the fill is nearly used", "metering set too rich: it goes faster than usual"},
		Do:          []string{"Have the bags or the hopper ready.", "Tell the operator when to release."},
	},
	"pot-empty": {
		Says:        "Air only: the pot is empty of abrasive.",
		Consequence: "Air and time are lost; the next vent is slow, as there is more air in the vessel.",
		Causes:      []string{"the fill is used"},
		Do:          []string{"Release; wait for the whole vent, it takes longer than usual.", proveZero, afterZero + " refill as this pot is refilled; filling is work at the vessel."},
	},
	"abrasive-stopped": {
		Says:        "Air only, though the pot is not empty: no abrasive flows.",
		Consequence: "No work is done; what is freed suddenly can come as a slug.",
		Causes:      []string{"metering valve blocked by an object: bag paper, flake, weld bead", "abrasive bridged or caked, damp", "abrasive cut-off shut"},
		Do:          []string{"Look at the abrasive cut-off and the setting of the metering valve.", "Release, vent, lock out the air.", proveZero, "Never strike the pot.", afterZero + " free the metering valve; sieve and dry the abrasive."},
	},
	"config-doubt": {
		Says:        "The pot does not behave as it is configured, or agent and server hold it for different pots.",
		Consequence: "What the screen says may be of another vessel, or judged by the wrong limits.",
		Causes:      []string{"gauges of two pots exchanged", "agent and server have different files", "two agents claim the pot", "pot holds its pressure and is not configured so"},
		Do:          []string{"Treat both pots as pressurised where two are named.", "Follow hoses and wires from the gauge to the screen.", "Compare the configurations of agent and server."},
	},
	"nozzle-low": {
		Says:        "The nozzle's pressure is under its target while blasting.",
		Consequence: "Each psi costs about 1.5 % of the work.",
		Causes:      []string{"blast hose small, long, kinked or worn", "metering too rich", "a gasket blows by", "nozzle worn, then all drops are up", "separator, valve or choke restricted"},
		Do:          []string{"See on the grade line where the pressure goes.", "Straighten the hose, look at couplings and gaskets.", "Tune the metering: air only, then richer until the stream is just coloured, back until it is steady."},
	},
	"supply-low": {
		Says:        "The supply cannot keep up while blasting.",
		Consequence: "The nozzle never gets its pressure; on a shared compressor breathing air may suffer first.",
		Causes:      []string{"too little air for this nozzle", "compressor's outlet throttled, its separator or filter clogged", "nozzle worn", "supply hose or coupling too small", "other users"},
		Do:          []string{"Look at the compressor first: setting, service valve, fuel, filters.", "Smaller nozzle or more air.", "Check the breathing air where it comes from the same compressor."},
	},
	"separator-restricted": {
		Says:        "The moisture separator lets less air through than when it was healthy, or soon will.",
		Consequence: "Pressure and work are lost at every press, and water gets through.",
		Causes:      []string{"element clogged", "full of water, drain shut", "caked by a dryer's salt", "iced up"},
		Do:          []string{"Drain it.", afterZero + " clean or replace the element.", "Record the service: the index before and after shows whether it helped."},
	},
	"valve-restricted": {
		Says:        "The path from the separator into the vessel lets less air through than when it was healthy, or soon will.",
		Consequence: "Slow start, and pressure lost at every press.",
		Causes:      []string{"inlet valve does not travel fully: grit, diaphragm, weak control pressure", "check valve or pipe fouled"},
		Do:          []string{"Look at the control line's pressure and its filter.", afterZero + " service the inlet valve.", "Record the service."},
	},
	"mixing-restricted": {
		Says:        "The path from the vessel past the mixing tee lets less through than when it was healthy, or soon will.",
		Consequence: "The vessel stands above the push line and forces grit: the stream floods, the metering valve wears.",
		Causes:      []string{"choke valve left partly shut after clearing damp grit", "push line leaks or is fouled", "metering too rich"},
		Do:          []string{"Set the choke back to its full bore.", "Tune the metering anew.", afterZero + " clean push line and tee; record the service."},
	},
	"hose-restricted": {
		Says:        "The blast hose lets less through than when it was healthy, or soon will.",
		Consequence: "The nozzle loses pressure; a soft or swollen place can burst.",
		Causes:      []string{"kink or tight bend", "inner tube swollen or loose", "coupling fouled or too small", "partly plugged by a slug"},
		Do:          []string{"Straighten it and feel for soft places.", "Cut out what is soft, with the hose proven without pressure.", "Record the service."},
	},
	"exhaust-restricted": {
		Says:        "The exhaust vents slower than when it was healthy, or soon will.",
		Consequence: "The vessel stays up longer after each release, until a vent stalls.",
		Causes:      []string{"silencer's element loads with grit", "ice on cold, damp days", "exhaust valve sticks"},
		Do:          []string{"Wait longer at each vent, and prove zero.", afterZero + " clean or thaw the silencer, service the exhaust valve.", "Record the service."},
	},
	"nozzle-worn": {
		Says:        "The nozzle's bore has grown past its limit, or soon will.",
		Consequence: "It takes more air than the compressor gives: pressure sags, the pattern goes ragged.",
		Causes:      []string{"wear", "cracked liner, or a larger nozzle put in, if it came as a step"},
		Do:          []string{"Measure the bore with a pin gauge, with the hose proven without pressure.", "Replace it at a sixteenth of an inch over its size, or where the liner is cracked.", "Record the service. A larger nozzle: enter its bore in the pot's file."},
	},
	"drain-due": {
		Says:        "By its reckoning the separator has caught enough water to be drained. It is an estimate.",
		Consequence: "Water goes on into the pot: wet clumps, bridging, ice.",
		Causes:      []string{"damp air and many hours of blasting", "drain shut"},
		Do:          []string{"Drain the separator.", "Record the drain."},
	},
	"sensor-fault": {
		Says:        "A gauge does not behave like a sound one.",
		Consequence: "What rests on this gauge is told with an error or not at all.",
		Causes:      []string{"gauge, port, wire or loop"},
		Do:          []string{"Check the gauge against a second one.", afterZero + " blow out its port or change it.", "Record the zero or the service."},
	},
	"agent-silent": {
		Says:        "Nothing is heard from the agent; the pressures of its pots are not known here.",
		Consequence: "Whatever happens at its pots is not seen and not told.",
		Causes:      []string{"power or network lost", "radio out of reach", "agent's computer stopped, or was switched off"},
		Do:          []string{"Treat its pots as pressurised; go by the gauges on the pots.", "Look at power, network and the agent's log.", "What it read meanwhile comes afterwards from its journal."},
	},
	"clock-skew": {
		Says:        "The agent's clock is off.",
		Consequence: "Times in the history are moved by what was measured; a clock that steps ends what was proven.",
		Causes:      []string{"no time server reached", "battery of the clock", "clock set by hand"},
		Do:          []string{"Set it right by a time server, while the pots rest."},
	},
}

// faults are those of the ways in which a gauge goes wrong.
var faults = map[string]Words{
	"stuck": {
		Says:   "The gauge stays at one reading while the pressure moves.",
		Causes: []string{"port plugged with grit", "frozen", "needle or element stuck", "value frozen in the transmitter"}},
	"slow-port": {
		Says:   "The gauge follows late.",
		Causes: []string{"port is plugging with grit", "damping set too high", "tired gauge"}},
	"zero-drift": {
		Says:   "The gauge does not show zero where there should be none, or a little pressure is trapped.",
		Causes: []string{"its zero has drifted", "a little pressure is trapped: behind a plug, in a hose, in a frozen silencer", "mounted or wired anew"}},
	"swapped": {
		Says:   "Two gauges of this pot seem to be exchanged: their pressures stand the wrong way round.",
		Causes: []string{"hoses or wires exchanged", "channels exchanged in the configuration"}},
	"out-of-range": {
		Says:   "The gauge is outside its range, or its loop has failed.",
		Causes: []string{"wire broken or short", "its supply has failed", "range configured wrong"}},
	"noisy": {
		Says:   "The gauge has become noisy or shows spikes.",
		Causes: []string{"bad ground", "loose wire", "water in a plug"}},
	"declared-error": {
		Says:   "The vessel gauge is proven outside its declared error.",
		Causes: []string{"its zero has drifted", "wrong range", "declared error too small"}},
}
