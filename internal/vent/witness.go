package vent

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

// Numbers of R3, R4 and R9.
const (
	restSpan        = 3 * time.Second        // R1
	beganUnder      = 20 * si.KPa            // R3: a press that began with the vessel under this
	mustRise        = 20 * si.KPa            // R3 a
	longPress       = 5 * time.Second        // R3 a
	halfOfReference = 0.5                    // R3 a
	fifthOfTarget   = 0.2                    // R3 a
	shareOfRated    = 0.15                   // R3 a, no target
	fallLead        = 500 * time.Millisecond // R3 b
	ventAllowance   = 30 * time.Second       // R3 b, no commissioned vent; common practice, no source
	tap             = 1500 * time.Millisecond
	tapSettles      = 500 * time.Millisecond // a tap is judged this long after it, when its pressure would show
	tapLate         = 4 * time.Second        // and a rise for so long is still its own: long control lines lag by 1 to 3 s
	follow          = 3 * time.Second        // R4
	mustFollow      = 7 * si.KPa             // R4
	airToFollow     = 200 * si.KPa           // R4
	holdsShare      = 0.5                    // R9: of the target
	holdsRated      = 1.0 / 3                // R9: of the rating, no target

	// unexplainedRise without a press voids what was seen before: more than the rebound of a vessel shut at zero
	// (1 to 6 psi), so the gauge may be on another vessel. Stricter than R3 asks.
	unexplainedRise = 60 * si.KPa
)

// press is one press of the handle.
type press struct {
	start   si.Instant
	under   bool    // began with the vessel under beganUnder
	base    float64 // vessel at the start, or the lowest since
	highest float64 // vessel since
	hose    bool    // a healthy hose point went over R5's limit
	judged  bool    // R4: whether the vessel followed is settled

	highestAt si.Instant
}

// episode is all that belongs to one press that began with the vessel down, up to the vent after it. Value type: a tap
// takes back to the one before it.
type episode struct {
	open    bool    // a press that began with the vessel under beganUnder, in this run
	base    float64 // vessel at its start
	peak    float64
	ref     float64 // separator, else supply, when the vessel was highest; NaN: neither healthy
	longest time.Duration

	released si.Instant // the last release; 0 while pressed
	early    bool       // the vessel fell before the release
	fast     bool       // since the start, somewhere faster than exhaust and nozzle wide open allow
	fall     fall

	witness bool // R3: this gauge rose and fell with this vessel
}

// fall is the vent after a release.
type fall struct {
	level float64    // vessel at the release
	into  si.Instant // first reading within R1's limit
}

func (f *fall) step(r reading) {
	switch {
	case r.v > 2*limit:
		f.into = 0
	case r.v <= limit && f.into == 0:
		f.into = r.at
	}
}

// A fall is held against the fastest over every stretch of up to fallLook; fallNoise is taken off both its ends, and
// what falls less than that is not timed.
const (
	fallLook  = time.Second
	fallNoise = 15 * si.KPa
)

// tooFast tells whether the newest reading lies lower than any path could have brought the vessel since an earlier one.
func (t *trace) tooFast(p *Pot) bool {
	for i := t.n - 2; i >= 0; i-- {
		r := t.at(i)
		took := t.good.at.Sub(r.at)
		if took > fallLook {
			return false
		}
		if high, low := r.v-fallNoise, t.good.v+fallNoise; high > low && took < fastestFall(p, high, low) {
			return true
		}
	}
	return false
}

// Air that leaves a vessel choked: m = K p A / sqrt(T).
const (
	gasR       = 287.05    // J/(kg K)
	rootT      = 17.12     // sqrt(293.15 K)
	chokedFlow = 0.0404149 // K, s sqrt(K)/m
)

// fastestFall is the shortest time in which the vessel can fall from one gauge pressure to another: the least
// free volume (packed grit leaves 0.35 of it, check on abrasives' void fractions) through the widest exhaust fitted
// to a vessel of that size and a 1/2 in nozzle, both ideal and choked, the gas without any heat from walls and grit.
// Blowdown: t = 5 tau ((p1/p2)^(1/7) - 1), tau = V / (R sqrt(T) K A), for air of gamma 1.4 (Bar-Meir, ch. 11).
// Exhaust bores by size: assumed, no source.
func fastestFall(p *Pot, from, to float64) time.Duration {
	const (
		freeShare = 0.35
		nozzle    = 0.5 * si.Inch
	)
	exhaust := 1.5 * si.Inch
	switch {
	case p.Volume <= 2*si.CubicFoot:
		exhaust = 1 * si.Inch
	case p.Volume <= 4*si.CubicFoot:
		exhaust = 1.25 * si.Inch
	}
	area := math.Pi / 4 * (exhaust*exhaust + nozzle*nozzle)
	tau := blowdown(freeShare*float64(p.Volume), area)
	ratio := (from + float64(si.StandardAtmosphere)) / max(1, to+float64(si.StandardAtmosphere))
	return time.Duration(5 * tau * (math.Pow(ratio, 1.0/7) - 1) * float64(time.Second))
}

// fastestOfCommissioned is the share of the empty pot's vent in which the fullest pot can vent: 0.35 of the gas,
// without the heat that an isothermal fall draws from the grit (1/1.4), and half of that for a handle's delay.
const fastestOfCommissioned = 0.15

// allowance is how long after the release the vessel may take to settle.
func (p *Pot) allowance() time.Duration {
	if p.Commissioned != nil {
		return 2 * p.Commissioned.Time
	}
	return ventAllowance
}

// working is the pressure the vessel works at, roughly: the target, else what R9 takes for it.
func (p *Pot) working() float64 {
	if p.Target > 0 {
		return float64(p.Target)
	}
	return holdsRated / holdsShare * float64(p.Rated)
}

// leastPeak is what the vessel must have reached (R3 a: a fifth of the target; R9: half of it).
func (p *Pot) leastPeak() float64 {
	if p.HoldsPressure {
		return holdsShare * p.working()
	}
	if p.Target > 0 {
		return fifthOfTarget * float64(p.Target)
	}
	return shareOfRated * float64(p.Rated)
}

// rose tells whether the vessel gauge followed the press (R3 a), and whether that press was a long one.
func (e *episode) rose(p *Pot, longCounted bool) (ok, long bool) {
	long = e.longest > longPress
	switch {
	case !e.open, e.peak-e.base < mustRise, e.peak < p.leastPeak():
		return false, long
	case long:
		return math.IsNaN(e.ref) || e.peak >= halfOfReference*e.ref, long
	}
	return longCounted, long
}

// fell tells whether the vessel came down as a vent after the release does (R3 b); rest is the start of the first 3 s
// within the limit.
func (e *episode) fell(p *Pot, rest si.Instant) bool {
	if e.released == 0 || e.early || rest < e.released.Add(-fallLead) {
		return false
	}
	took := rest.Sub(e.released)
	if took > p.allowance() || e.fast {
		return false
	}
	if p.Commissioned != nil && e.fall.level >= p.working()/2 {
		return e.fall.into.Sub(e.released) >= time.Duration(fastestOfCommissioned*float64(p.Commissioned.Time))
	}
	return true
}
