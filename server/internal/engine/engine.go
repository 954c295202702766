package engine

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/condensate"
)

// A State describes what a pot does. The zero value is Unknown.
type State uint8

// The states of a pot.
const (
	Unknown State = iota
	AtRest
	Charging
	Blasting
	Venting
	Held
)

var stateNames = [...]string{"unknown", "at-rest", "charging", "blasting", "venting", "held"}

// String is the state's name in JSON and metrics.
func (s State) String() string { return stateNames[s] }

// States lists all states.
func States() []State { return []State{AtRest, Charging, Blasting, Venting, Held, Unknown} }

// Params are what the engine uses of a pot's configuration.
type Params struct {
	Points  points.Set
	Target  si.GaugePressure // at the nozzle; 0: not given
	Volume  si.Volume        // of the vessel; 0: not known
	Nozzle  si.Length        // bore, when new; 0: not known
	Ambient si.AbsPressure   // 0: standard
	Period  time.Duration    // of a log that is slower than live readings; 0: live

	HoseBore, HoseLength si.Length         // 0: not known
	Bulk, Solid          si.Density        // of the abrasive; 0: nominal
	Baseline             baseline.Set      // what people recorded
	Condensate           condensate.Params // Ambient and Volume are filled in
}

// An Input is one sample and the handle as the judge has it after that sample.
type Input struct {
	Sample points.Sample
	Handle vent.Handle
}

// A Reading is the newest of one point.
type Reading struct {
	At      si.Instant       // of the newest sample, good or not; zero: none yet
	Quality points.Quality   // of that sample
	Value   si.GaugePressure // of that sample
	Pressed bool             // control as a discrete input
}

// A Drop is the pressure loss of a segment at an instant; Known false: cannot be told.
type Drop struct {
	Known bool
	Loss  si.PressureDrop
}

// Now is what readings alone tell of the pot, as of the newest sample.
type Now struct {
	At       si.Instant // of the newest sample
	State    State
	Since    si.Instant // of the state
	Readings [points.Count]Reading
	Drops    [points.SegmentCount]Drop
	DropsAt  si.Instant // the instant of all drops; zero: none

	Nozzle          si.GaugePressure // where NozzleMeasured
	NozzleMeasured  bool
	Production      si.Ratio
	ProductionKnown bool

	Cycles uint64 // completed so far; it has grown by one where Cycle is new
	Cycle  Cycle  // the last one that was completed
}

// fresh is how long a reading stands for the present: 2 s, of a slow log 2.5 periods.
func (p *Params) fresh() time.Duration { return max(2*time.Second, 5*p.Period/2) }

// An Engine follows one pot.
type Engine struct {
	params  Params
	history [points.Count]track
	vessel  bins
	// vesselAt is the newest good reading of the vessel with no bad one behind it. A lost poll is only a gap: it must
	// not make a vent look stalled.
	vesselAt si.Instant
	out      Now
	// joint are the pressures, gauge, of all points of the air's path that were brought to one instant, which rises.
	joint joint
	state state
	cycle cycle

	priming   bool // restored, and the readings of its points not yet made again
	savedBins binsMark
}

// New is an engine that has seen nothing.
func New(p Params) *Engine {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	return &Engine{params: p}
}

// Reset forgets all samples: the source died, or its clock was stepped. A cycle that goes on is lost; those that were
// completed stay counted.
func (e *Engine) Reset() {
	*e = Engine{params: e.params, out: Now{Cycles: e.out.Cycles, Cycle: e.out.Cycle}}
}

// Step takes one sample. A sample no newer than its point's last, or of a point that is not configured, is dropped.
func (e *Engine) Step(in *Input, out *Now) {
	s := &in.Sample
	if int(s.Point) >= points.Count || !e.params.Points.Has(s.Point) || s.At <= 0 {
		*out = e.out
		return
	}
	if e.priming {
		e.Primed()
	}
	r := &e.out.Readings[s.Point]
	if s.At <= r.At {
		*out = e.out
		return
	}
	*r = Reading{s.At, s.Quality, s.Value, s.Pressed}
	e.out.At = max(e.out.At, s.At)
	h := &e.history[s.Point]
	if s.Quality == points.Good && s.Point <= points.Nozzle {
		h.add(s.At, float64(s.Value))
	} else {
		h.reset()
	}
	if s.Point == points.Vessel {
		switch s.Quality {
		case points.Good:
			e.vessel.add(s.At, e.params.width(), float64(s.Value))
			e.vesselAt = s.At
		case points.OutOfRange:
			e.vessel.reset()
			e.vesselAt = 0
		}
	}
	e.judgeState(in.Handle)
	e.followCycle(in.Handle, s.Point == points.Vessel && s.Quality == points.Good, s.At, float64(s.Value))
	e.drops()
	e.production()
	*out = e.out
}

// Good is the newest reading of a point if it is good and stands for the present.
func (e *Engine) good(p points.Point) (float64, bool) {
	r := &e.out.Readings[p]
	return float64(r.Value), r.At != 0 && r.Quality == points.Good && e.out.At.Sub(r.At) <= e.params.fresh()
}

// production follows the nozzle's own gauge.
func (e *Engine) production() {
	p, ok := e.good(points.Nozzle)
	e.out.Nozzle, e.out.NozzleMeasured = si.GaugePressure(p), ok
	e.out.Production, e.out.ProductionKnown = 0, false
	if ok && e.out.State == Blasting && e.params.Target > 0 {
		e.out.Production, e.out.ProductionKnown = Production(si.GaugePressure(p), e.params.Target), true
	}
}

// Common practice, no source: each psi under target costs 1.5 % of the work, and the rule is not used under 50 psi.
const (
	costPerPSI = 0.015
	leastRule  = 50 * si.PSI
)

// Production is the share of the work done at a nozzle pressure, of that done at target; at most 1.
func Production(nozzle, target si.GaugePressure) si.Ratio {
	if nozzle < leastRule {
		nozzle = leastRule
	}
	if nozzle > target {
		nozzle = target
	}
	return si.Ratio(1 - costPerPSI*float64((target-nozzle)/si.PSI))
}
