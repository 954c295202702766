package vent

import "gritwatch/protocol/si"

// A Healthy is the slowest that a healthy vent could be, of the empty pot, or of this one as it is expected now: the vessel's absolute
// pressure falls from that of From as exp(-Rate t), with the time t since Open in s, while the vent is choked; from Tail on, where that is
// not 0, at TailRate. It is what VentSlow is judged by.
type Healthy struct {
	Released si.Instant
	From     si.GaugePressure // vessel at the release
	Open     si.Instant       // the exhaust is wide open at the latest
	Rate     float64          // 1/s
	Tail     si.GaugePressure
	TailRate float64 // 1/s
}

// TimedDownTo is the pressure of the vessel down to which vents are timed at an ambient pressure.
func TimedDownTo(ambient si.AbsPressure) si.GaugePressure {
	return si.GaugePressure((ChokedOver - 1) * float64(ambient))
}

// Healthy is that of the vent since the last release; false where none is watched, or where it is not timed. Where something narrower is
// expected of this vent, it is that.
func (w *Watch) Healthy() (Healthy, bool) {
	if w.released == 0 || w.params.Pot.HoldsPressure || w.from < upAtLeast {
		return Healthy{}, false
	}
	h := Healthy{Released: w.released, From: si.GaugePressure(w.from), Open: w.open(), Rate: 1 / w.tau}
	if e := w.expected; e.tau > 0 && e.tau.Seconds() < w.tau {
		h.From, h.Open, h.Rate = si.GaugePressure(w.top-w.ambient), w.since.Add(e.lag), 1/e.tau.Seconds()
		if tail := expectedTo * w.top; tail > ChokedOver*w.ambient {
			h.Tail, h.TailRate = si.GaugePressure(tail-w.ambient), h.Rate/(1+tailSlower)
		}
	}
	return h, true
}
