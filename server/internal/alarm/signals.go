package alarm

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// Conditions are what a vent watch has found: *vent.Watch.
type Conditions interface {
	Find(vent.Condition) vent.Finding
	// Healthy is the slowest healthy vent that the one since the last release is held against; false: none is.
	Healthy() (vent.Healthy, bool)
}

// Faults are what was found of a pot's gauges: *gauges.Watch.
type Faults interface {
	Find(points.Point, gauges.Kind) gauges.Finding
}

// A Pressure is one that may not be known.
type Pressure struct {
	Known bool
	Value si.GaugePressure
}

// Feed is what the hose carries. The zero value is that nobody can tell, as while the pot does not blast.
type Feed uint8

// What the hose carries.
const (
	FeedUnknown   Feed = iota
	Flowing            // abrasive
	Blocked            // air only, with abrasive left
	Empty              // air only, and nothing is left
	FeedUndecided      // air only; why cannot be told yet
)

// A Level is the abrasive in the vessel.
type Level struct {
	Known     bool     // Share, Low and High are
	Share     si.Ratio // of capacity
	Low, High si.Ratio // 80 % interval of it

	EmptyKnown    bool
	P10, P50, P90 time.Duration // of blasting until it is empty
	Feed          Feed
	Refills       uint64 // that were seen so far
}

// A Part is one that clogs or wears.
type Part uint8

// The parts, in the order of their alarms.
const (
	Separator Part = iota
	Valve
	Mixing
	Hose
	Exhaust
	Nozzle

	Parts = 6 // how many there are
)

// An Index is how far a part has gone, over its healthy baseline.
type Index struct {
	Known     bool
	Value, SD si.Ratio // resistance, conductance of an exhaust, diameter of a bore; 1 as commissioned
	Limit     si.Ratio // at which it is due
	Found     bool     // it is past its limit or as good as, with a deadband of its finder

	ForecastKnown bool
	P10, P50      si.Instant // when it passes its limit
	P90           si.Instant // 0: it may never
}

// A Load is the water in the separator.
type Load struct {
	Known bool
	Due   bool    // to be drained
	Water si.Mass // since the last drain
	DueAt si.Mass // of Water; 0: not known
}

// Signals are what is known of one pot at one instant. What is not known is absent: nil, or Known false. Absent is
// neither good nor bad: it begins no alarm but vessel-unknown, and ends none.
type Signals struct {
	At si.Instant // in stored time

	Vent   Conditions  // nil: not watched
	Gauges Faults      // nil: not watched
	Faulty bool        // the judge has proven the vessel's gauge outside its declared error (R1); it latches that itself
	Handle vent.Handle // of the judge

	Answered bool        // Answer is known
	Answer   vent.Answer // as it is served: R6 and R8 have lowered it

	Blasting                             bool
	Vessel, Supply, Hose, Nozzle, Target Pressure // of good, fresh readings
	NozzleComputed                       bool     // Nozzle is an estimate, and no reading
	Sag                                  Pressure // of the supply under its own baseline, while blasting
	Level                                Level
	Wear                                 [Parts]Index
	Drain                                Load
	Crossed                              string // the pot whose gauge seems to be exchanged with one of this; empty: none
}

// AgentSignals are what is known of one agent at one instant.
type AgentSignals struct {
	At     si.Instant
	Heard  bool          // anything came since the start
	Silent time.Duration // since its last message, or the start
	Dead   bool          // the broker has told its death, and nothing came since
	// Safe is that the answer of all its pots was the good one. What counts is how that stood while it was heard.
	Safe bool

	ClockKnown bool
	Ahead      time.Duration // of its clock over the server's
	Round      time.Duration // of the echo that told so: Ahead may be off by half of it
}

// stream is the pressure of what blasts, and its point: the nozzle's, else the hose's.
func (s *Signals) stream() (Pressure, points.Point) {
	if s.Nozzle.Known && !s.NozzleComputed {
		return s.Nozzle, points.Nozzle
	}
	return s.Hose, points.Hose
}

// value is a pressure's, if it is one.
func (p Pressure) value() (float64, bool) {
	v := float64(p.Value)
	return v, p.Known && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// vesselPoint is how the vessel's point is called in keys.
var vesselPoint = points.Vessel.String()

// declared is the fault of a vessel gauge that the judge has proven outside its declared error (R1).
const declared = "declared-error"

// faultKinds is how many ways a gauge can go wrong, the judge's included.
const faultKinds = gauges.Kinds + 1

func faultName(k int) string {
	if k < gauges.Kinds {
		return gauges.Kind(k).String()
	}
	return declared
}

// blinds tells whether a gauge with a fault no longer shows what the pressure is.
func blinds(fault string) bool {
	if fault == declared {
		return true
	}
	for k := range gauges.Kind(gauges.Kinds) {
		if k.String() == fault {
			return k.Blinds()
		}
	}
	return false
}
