package vent

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

// A vent is choked, and the vessel's absolute pressure falls as exp(-t/tau), while the vessel is over the ambient
// pressure divided by the exhaust's critical ratio (ISO 6358-1). Silencers and valves lie between 0.2 and 0.5; the
// largest is taken, since it makes a vent that took a given time look slowest at its beginning.
const exhaustRatio = 0.5

// What is taken of a healthy exhaust before anything was commissioned. Common practice, no source: pots vent within
// about a quarter of a minute, which is a choked time constant of the empty vessel of up to 6.5 s through the exhaust
// alone. A pot that is slower must be commissioned, or every vent of it is found slow.
const nominalExhaust = 6500 * time.Millisecond

// nozzleShare is what of a clean nozzle's flow at the vessel's own pressure still leaves through hose and nozzle during
// a vent: abrasive slows the air to about 0.8 of it, and the hose takes a tenth or two. No source gives the product.
const nozzleShare = 0.7

// Margins on the slowest healthy time constant: cold air (its root at 263 K against 293 K is 1.055) in a vent that differs
// from another by a tenth. The air of an emptying pot is colder still, down to some 220 K, but its expansion hastens the
// fall meanwhile; what was commissioned has both in it.
const (
	nominalMargin      = 1.16
	commissionedMargin = 1.15
)

// tailOf is the time from the end of the choked part down to ambient over limit, in time constants, for a critical
// ratio of one half. With r = ambient/p and x = 2 r - 1, d(t/tau) = dx/((1+x) sqrt(1-x^2)), whose integral from 0 is
// 1 - sqrt((1-x)/(1+x)).
func tailOf(ambient float64) float64 {
	x := 2*ambient/(ambient+limit) - 1
	return 1 - math.Sqrt((1-x)/(1+x))
}

// Slowest is the longest time constant, s, of the choked part of a healthy vent of the empty pot: from what
// commissioning measured, else from nominal dimensions. A learned figure never stands in for either.
func (w *WatchParams) slowest() float64 {
	ambient := float64(w.Ambient)
	if c := w.Pot.Commissioned; c != nil {
		choked := math.Log((w.Pot.working() + ambient) / (ambient / exhaustRatio))
		return commissionedMargin * c.Time.Seconds() / (max(0, choked) + tailOf(ambient))
	}
	rate := 1 / nominalExhaust.Seconds()
	if w.Nozzle > 0 {
		rate += nozzleShare / blowdown(float64(w.Pot.Volume), float64(si.CircleArea(w.Nozzle)))
	}
	return nominalMargin / rate
}

// blowdown is the time constant, s, of the choked isothermal flow of air at 293.15 K out of a volume, m3, through an
// ideal nozzle of an area, m2: V / (R sqrt(T) K A), see fastestFall.
func blowdown(volume, area float64) float64 { return volume / (gasR * rootT * chokedFlow * area) }
