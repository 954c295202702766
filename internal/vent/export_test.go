package vent

// DoesNotFollow tells whether a press was found that the vessel did not follow (R4); the answer hides it while it says
// pressurised.
func (j *Judge) DoesNotFollow() bool { return j.doesNotFollow }

// LongCounted tells whether a press over 5 s has counted (R3 a).
func (j *Judge) LongCounted() bool { return j.longCounted }
