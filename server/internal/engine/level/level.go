package level

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Params are what a filter uses of a pot's configuration.
type Params struct {
	Points      points.Set
	Volume      si.Volume
	Bulk, Solid si.Density // of the abrasive; 0: nominal
	Nozzle      si.Length  // bore
	HoseBore    si.Length
	HoseLength  si.Length
	Target      si.GaugePressure // at the nozzle; 0: nominal
	Ambient     si.AbsPressure   // 0: standard
}

// A Stop says whether abrasive flows in this press.
type Stop uint8

// The words for it. Flowing stands also for all that cannot be told.
const (
	Flowing   Stop = iota
	Blocked        // air only, with abrasive left: the metering is blocked
	Empty          // air only, and the pot has run empty
	Undecided      // air only; whether empty or blocked the next vent or press will tell
)

var stopNames = [...]string{"flowing", "blocked", "empty", "undecided"}

// String is the word in JSON.
func (s Stop) String() string { return stopNames[s] }

// A Forecast is a time with its quantiles.
type Forecast struct {
	Known         bool
	P10, P50, P90 time.Duration
}

// A Refill is one that was seen by what the vessel tells after it.
type Refill struct {
	At       si.Instant // of the first press after it; zero: none yet
	From, To si.Ratio   // shares of capacity
	Full     bool       // to the full
}

// An Estimate is what is known of the abrasive in a pot.
type Estimate struct {
	Known     bool
	Capacity  si.Mass
	Mass, SD  si.Mass
	Share     si.Ratio // of capacity
	Low, High si.Ratio // 80 % interval of Share

	FlowKnown bool
	Flow      si.MassFlow // out of the vessel, mean of the last quarter of a minute of blasting
	FlowSD    si.MassFlow
	Loading   si.Ratio // abrasive over air, by mass, now
	Measured  bool     // flow follows the setting of the metering valve; else it is the pot's usual one
	Used      si.Mass  // through the metering valve since the filter began

	Empty   Forecast // in blasting seconds
	OnClock Forecast // by the crew's recent duty

	Stop      Stop
	StopSince si.Instant

	Refills uint64
	Refill  Refill // the last
	Fills   int    // complete ones, from full to empty, that were learned from

	// Sounding is the share of capacity that the last vent or press alone tells, with the calibration of the pot.
	Sounding   si.Ratio
	SoundingSD si.Ratio
	SoundingAt si.Instant // zero: none yet
	SoundedBy  Sounder    // ByPress: by the press and the vent before it, where they tell the same
}

// A Sounder is what a sounding comes from.
type Sounder uint8

// The two of them.
const (
	ByVent Sounder = iota
	ByPress
)

// String is the sounder's name in JSON.
func (s Sounder) String() string { return [...]string{"vent", "press"}[s] }
