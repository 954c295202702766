package alarm

import (
	"time"

	"gritwatch/protocol/si"
)

// A Rule is what is laid down of one kind of alarm. The words for people are in Text.
//
// Where On and Off are 0 another package finds the condition, with limits and a deadband of its own, and OnAfter and
// OffAfter come on top.
type Rule struct {
	Kind     Kind
	Priority Priority // SensorFault and AgentSilent: see Key and AgentSignals
	By       string   // what finds the condition
	Of       string   // the quantity that On and Off are of, with its unit
	On, Off  float64  // it begins on the far side of On, and ends on the near side of Off
	OnAfter  time.Duration
	OffAfter time.Duration
	Vessel   bool   // while it stands the vessel may hold pressure that nobody sees: never shelved or out of service
	Latch    bool   // it stands after its condition has ended, see Board
	Alone    bool   // its end needs no acknowledgement
	Under    []Kind // suppressed by design while one of these stands at the pot or its agent: that one says it already
	Causes   []Kind // kinds that this one follows from: of those that stand, the oldest is told as its cause
}

// Limits. Those without a source are common practice.
const (
	unknownOld   = 15 * time.Second // without a fresh reading: longer than agentSilent, so that a dead agent comes first
	unknownBad   = 5 * time.Second  // of readings out of range
	unknownClash = 15 * time.Second // of pressure in the hose with none in the vessel: a long hose empties late
	agentSilent  = 10 * time.Second
	agentHeard   = 2 * time.Second // as long as a reading stands for the present
	skewOn       = 2 * time.Second // as long as a reading stands for the present
	skewOff      = time.Second

	// Of abrasive: a refill takes 3 to 10 minutes, and somebody must fetch bags before. A small pot lasts not much
	// longer, so that its share counts too.
	soonOn, soonOff           = 8 * time.Minute, 12 * time.Minute // blasting time, median
	soonShareOn, soonShareOff = 0.30, 0.45                        // of capacity
	refilled                  = 0.20                              // of capacity, surely: the pot is not empty any more
	refilledFor               = 3 * time.Second

	nozzleOn, nozzleOff = 10 * si.PSI, 6 * si.PSI // under target: 15 % and 9 % of the work, at 1.5 % a psi
	supplyOn, supplyOff = 0 * si.PSI, 3 * si.PSI  // over target: from less than that the nozzle cannot get its pressure
	sagOn, sagOff       = 10 * si.PSI, 6 * si.PSI // under its own baseline, while blasting
	fills               = 10 * time.Second        // of each press, in which the vessel may still fill

	// Of a forecast alone, which nobody has found yet. A trend is believed as far ahead as it was seen to come, so that about as much of the way
	// must lie behind as before: at less an index moves as far for a while when setting, weather or level change.
	noticeOn, noticeOff           = 7 * 24 * time.Hour, 10 * 24 * time.Hour // until a part passes its limit, median
	noticeShareOn, noticeShareOff = 0.50, 0.35                              // of the way from 1 to the limit
	noticeGone                    = 2.5                                     // of its own standard deviations, that a part is worse than new: what only gets back to what it was has no date
	noticeSpread                  = 2                                       // from the 10 % to the 90 % quantile, in noticeOn: else the date is not known well enough
)

const (
	watchFinds = "vent watch"
	gaugeFinds = "gauges"
	levelFinds = "level"
	wearFinds  = "wear"
	own        = "this package"
)

// rules are those of all kinds. A vent's alarms end at once with the next press or by the answer (see Signals.leaves), so
// that their OffAfter only counts where neither comes: a vessel that stands about at the limit must not ring again and again.
// So does pot-empty with a refill; without one abrasive that seems to flow is an error for a while.
var rules = [Kinds]Rule{
	VentSlow:          {Priority: Critical, By: watchFinds, OffAfter: 30 * time.Second, Vessel: true, Causes: []Kind{ExhaustRestricted}},
	VesselHeld:        {Priority: Critical, By: watchFinds, OffAfter: 5 * time.Minute, Vessel: true, Latch: true, Causes: []Kind{VentSlow, ExhaustRestricted}},
	PressureCreep:     {Priority: Critical, By: watchFinds, OffAfter: 30 * time.Second, Vessel: true},
	StopSlow:          {Priority: High, By: watchFinds, OffAfter: time.Second},
	OverPressure:      {Priority: Critical, By: watchFinds, OffAfter: 3 * time.Second, Vessel: true},
	SupplyBelowVessel: {Priority: High, By: watchFinds, OffAfter: 5 * time.Second},
	PressOverlong:     {Priority: Medium, By: watchFinds, OffAfter: 2 * time.Second, Alone: true},
	VesselUnknown: {Priority: Critical, By: own, Of: "s without a pressure that can be believed", On: unknownOld.Seconds(),
		OffAfter: 5 * time.Second, Vessel: true, Under: []Kind{AgentSilent}, Causes: []Kind{SensorFault, ConfigDoubt}},
	PotEmptySoon: {Priority: High, By: own, Of: "s of blasting left, median, where the share left is small too", On: soonOn.Seconds(), Off: soonOff.Seconds(),
		OnAfter: 10 * time.Second, OffAfter: 10 * time.Second, Under: []Kind{PotEmpty}},
	PotEmpty:        {Priority: High, By: levelFinds, OffAfter: 3 * time.Minute},
	AbrasiveStopped: {Priority: High, By: levelFinds, OffAfter: 30 * time.Second},
	ConfigDoubt:     {Priority: Medium, By: own, OnAfter: 30 * time.Second, OffAfter: 10 * time.Second, Alone: true},
	NozzleLow: {Priority: Medium, By: own, Of: "Pa under target while blasting", On: nozzleOn, Off: nozzleOff,
		OnAfter: 40 * time.Second, OffAfter: time.Minute, Alone: true, Under: []Kind{SupplyLow},
		Causes: []Kind{SupplyBelowVessel, SeparatorRestricted, ValveRestricted, MixingRestricted, HoseRestricted, NozzleWorn}},
	SupplyLow: {Priority: Medium, By: own, Of: "Pa over target while blasting, or else sag", On: supplyOn, Off: supplyOff,
		OnAfter: 20 * time.Second, OffAfter: 3 * time.Minute, Alone: true, Causes: []Kind{NozzleWorn}},
	SeparatorRestricted: restricted, ValveRestricted: restricted, MixingRestricted: restricted, HoseRestricted: restricted,
	ExhaustRestricted: restricted, NozzleWorn: restricted,
	DrainDue:    {Priority: Low, By: "condensate", OffAfter: 10 * time.Second, Alone: true},
	SensorFault: {Priority: Medium, By: gaugeFinds, OffAfter: 10 * time.Second},
	AgentSilent: {Priority: Critical, By: own, Of: "s of silence", On: agentSilent.Seconds(), Off: agentHeard.Seconds(), OffAfter: 3 * time.Second},
	ClockSkew: {Priority: Medium, By: own, Of: "s off, for sure", On: skewOn.Seconds(), Off: skewOff.Seconds(), OffAfter: 10 * time.Second,
		Alone: true, Under: []Kind{AgentSilent}},
}

// restricted is the rule of parts that clog or wear.
var restricted = Rule{Priority: Medium, By: wearFinds + ", and this package by the forecast", Of: "s until it passes its limit, median", On: noticeOn.Seconds(), Off: noticeOff.Seconds(),
	OnAfter: time.Minute, OffAfter: 10 * time.Minute, Alone: true}

// calm is how long after its suppressor's end an alarm stays suppressed, beyond the time that its own condition takes to
// end: what is about to end is not told.
const calm = 15 * time.Second

// RuleOf is what is laid down of a kind.
func RuleOf(k Kind) Rule {
	r := rules[k]
	r.Kind = k
	return r
}

// hidable tells whether people may shelve an alarm, or take it out of service. Those that say that a vessel may hold
// pressure nobody sees may not, nor those that others of them are suppressed under.
func hidable(k Key, p Priority) (shelf, service bool) {
	vessel := rules[k.Kind].Vessel || p == Critical && k.Kind == SensorFault
	return !vessel && k.Kind != AgentSilent, !vessel
}
