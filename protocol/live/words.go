package live

// The closed lists of words that stand in messages besides the answer's word and codes (package vent) and the
// points (package points). The page's types are written from them.

// Held is the state of a pot whose vessel holds pressure though the handle is released and the vent is over or stalls.
const Held = "held"

// States of a pot, as Pot.State has them.
func States() []string {
	return []string{"at-rest", "charging", "blasting", "venting", Held, "unknown"}
}

// Airs are what Pot.Air says of the air to the pot.
func Airs() []string { return []string{"on", "off", "unknown"} }

// Qualities are what Pot.Quality says of a point whose reading is not good.
func Qualities() []string { return []string{"out-of-range", "no-reply", "old"} }

// Units are the pressure units of a screen, as Pot.Unit has them.
func Units() []string { return []string{"psi", "bar", "kPa"} }

// FrameTypes are the types of a Frame.
func FrameTypes() []string { return []string{"snapshot", "change"} }

// OutcomeTypes are the types of an Outcome.
func OutcomeTypes() []string { return []string{"done", "refused"} }

// Findings are the words of Figures.Findings, as the server's package finding has them.
func Findings() []string {
	return []string{"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "more-flow", "inlet-leak", "flooding", "spitting",
		"abrasive-stopped", "stop-undecided", "pot-empty", "exhaust-restricted", "nozzle-worn", "drain-due"}
}

// BaselineKinds are the words of Baseline.How.
func BaselineKinds() []string { return []string{"learned", "ritual", "commissioned"} }

// Priorities of alarms, the most urgent first.
func Priorities() []string { return []string{"critical", "high", "medium", "low"} }

// AlarmKinds are the kinds of alarms, as the server's package alarm has them.
func AlarmKinds() []string {
	return []string{"vent-slow", "vessel-held", "pressure-creep", "stop-slow", "over-pressure", "supply-below-vessel",
		"press-overlong", "vessel-unknown", "pot-empty-soon", "pot-empty", "abrasive-stopped", "config-doubt", "nozzle-low", "supply-low",
		"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "exhaust-restricted", "nozzle-worn",
		"drain-due", "sensor-fault", "agent-silent", "clock-skew"}
}

// AlarmStates are those of StandingAlarm.State, as the server's package alarm has them.
func AlarmStates() []string {
	return []string{"normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "latched-unacknowledged",
		"latched-acknowledged", "shelved", "suppressed", "out-of-service"}
}

// AlarmEvents are those of Transition.Event, as the server's package alarm has them.
func AlarmEvents() []string {
	return []string{"raised", "returned", "acknowledged", "reset", "shelved", "unshelved", "suppressed", "unsuppressed", "out-of-service", "in-service",
		"commented"}
}

// AlarmDeeds are what a person may do with an alarm, the last with one that has ended too: those of StandingAlarm.Can, and the last part of the address to post an AlarmAct to.
func AlarmDeeds() []string {
	return []string{"acknowledge", "shelve", "unshelve", "reset", "take-out", "bring-back", "comment"}
}

// GaugeFaults are the ways in which a gauge goes wrong, as the server's package alarm has them.
func GaugeFaults() []string {
	return []string{"stuck", "slow-port", "zero-drift", "swapped", "out-of-range", "noisy", "declared-error"}
}
