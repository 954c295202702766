package live

// The closed lists of words that stand in messages besides the answer's word and codes (package vent) and the
// points (package points). The page's types are written from them.

// States of a pot, as Pot.State has them.
func States() []string {
	return []string{"at-rest", "charging", "blasting", "venting", "held", "unknown"}
}

// Airs are what Pot.Air says of the air to the pot.
func Airs() []string { return []string{"on", "off", "unknown"} }

// Qualities are what Pot.Quality says of a point whose reading is not good.
func Qualities() []string { return []string{"out-of-range", "no-reply", "old"} }

// Units are the pressure units of a screen, as Pot.Unit has them.
func Units() []string { return []string{"psi", "bar", "kPa"} }

// FrameTypes are the types of a Frame.
func FrameTypes() []string { return []string{"snapshot", "change"} }

// Findings are the words of Figures.Findings, as the server's package finding has them.
func Findings() []string {
	return []string{"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "more-flow", "inlet-leak", "flooding", "spitting",
		"abrasive-stopped", "stop-undecided", "pot-empty", "exhaust-restricted", "nozzle-worn", "drain-due"}
}

// BaselineKinds are the words of Baseline.How.
func BaselineKinds() []string { return []string{"learned", "ritual", "commissioned"} }
