package vent

import "gritwatch/protocol/si"

// A Healthy is the slowest that a healthy vent of the empty pot could be: the vessel's absolute pressure falls from that of
// From as exp(-Rate t), with the time t since Open in s, while the vent is choked. It is what VentSlow is judged by.
type Healthy struct {
	Released si.Instant
	From     si.GaugePressure // vessel at the release
	Open     si.Instant       // the exhaust is wide open at the latest
	Rate     float64          // 1/s
}

// Healthy is that of the vent since the last release; false where none is watched, or where it is not timed.
func (w *Watch) Healthy() (Healthy, bool) {
	if w.released == 0 || w.params.Pot.HoldsPressure || w.from < upAtLeast {
		return Healthy{}, false
	}
	return Healthy{Released: w.released, From: si.GaugePressure(w.from), Open: w.open(), Rate: 1 / w.tau}, true
}
