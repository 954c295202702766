package vent

import "time"

// WithSensorFault is the answer while something is found of the vessel's gauge by other means than R1 (R2): never vented.
// It makes no word better.
func (a Answer) WithSensorFault() Answer { return lower(a, SensorFault) }

// Allowance is how long after a release the vessel may take to settle in R1's limit and still count as vented by it (R3 b).
func (p Pot) Allowance() time.Duration { return p.allowance() + restSpan }
