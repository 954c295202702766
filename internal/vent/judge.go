// Package vent builds the answer to "may this vessel be opened?". No other package may say it.
//
// The rules have numbers, R1 to R10. Judge holds those that follow from the readings alone (R1 to R5, R7, R9): it
// is pure, has no clock, and gives the same answers for the same samples. Serve adds what only holds at the moment
// of speaking: freshness (R6) and agreement of two judges (R8). The page adds the lease (R10).
package vent

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Break says why a run of samples ended otherwise than by a gap or a failed gauge.
type Break uint8

// The breaks.
const (
	ClockStep    Break = iota + 1 // a new epoch of the agent's clock
	NewSession                    // the agent restarted, or another took over
	Reconfigured                  // the configuration changed
	SourceSilent                  // deaths, a lost link: what came between is not known
)

// Options of a judge. The zero value is right for live readings.
type Options struct {
	// Period of a log that is replayed, where it is slower than live readings; 0: live. A gap is then longer than
	// 2.5 periods instead of 2 s, and a period over 2 s never gives vented.
	Period time.Duration
}

// A Judge says the answer for one pot from its samples. It costs a constant time a sample and allocates nothing
// once warm. Not safe for concurrent use.
type Judge struct{}

// NewJudge is a judge that has seen nothing.
func NewJudge(p Pot, o Options) *Judge { return &Judge{} }

// Step takes one sample. Samples come in order of time for each point; between points they may be late by less than
// a second. A sample older than the point's last is dropped.
func (j *Judge) Step(s points.Sample) {}

// Break ends the run of samples (R3): what was seen before proves nothing any more.
func (j *Judge) Break(b Break) {}

// Answer is the word as of the newest sample of any point. Before any sample of the vessel it is not-proven with
// VesselOld. It takes no account of how long ago that was: Serve does.
func (j *Judge) Answer() Answer { return Answer{} }

// A Handle is what is known of the operator's control handle.
type Handle struct {
	Known    bool
	Pressed  bool
	Inferred bool       // from the hose point, for want of a control point
	Since    si.Instant // of the last press or release
}

// Handle is the state of the control handle as of the newest sample.
func (j *Judge) Handle() Handle { return Handle{} }

// Faulty tells whether the vessel gauge was proven outside its declared error (R1). It stays so until a named
// person records a zero or a service, so a restart hands it on with MarkFaulty.
func (j *Judge) Faulty() bool { return false }

// MarkFaulty restores that finding; it can only lower the word.
func (j *Judge) MarkFaulty() {}
