package level

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

const (
	tenth   = 1.2816 // standard deviations to the outer tenths of a normal distribution
	knownSD = 0.25   // of capacity: a level less sure than that is not known
	changes = 600.0  // s of blasting in which a setting lasts
	// spreadSeen makes up for the forty minutes' mean, which goes along with the settings that are held against it.
	spreadSeen = 2.5
	// Of simulated pots: the variance that the means of a pot with one setting show all the same; the share of the variance of
	// the flow's factor that such a pot has, as that moves with the setting, by what friction and slowing are off; and the variance of settings from which it has all.
	spreadLeft  = 0.0003
	steadyShare = 0.2
	spreadAll   = 0.02
	longestIn   = 48 * time.Hour
)

// Estimate is what is known as of the last that was taken.
func (f *Filter) Estimate() Estimate {
	e := f.est
	if f.capacity <= 0 {
		return e
	}
	b := f.b
	f.drawnFrom(&b)
	b.notNegative(-3)
	s, v := b.x[iShare], b.p[iShare][iShare]
	if e.Stop == Empty {
		// Believed at once, and taken into the level with the vent.
		g := v / (v + emptySD*emptySD)
		s, v = s+g*(emptyShare-s), v*(1-g)
	}
	sd := math.Sqrt(v)
	e.Known = sd < knownSD && (f.sounds[ByVent].unit > 0 || f.sounds[ByPress].unit > 0)
	e.Share = si.Ratio(max(0, min(1, s)))
	e.Mass, e.SD = si.Mass(max(0, s)*f.capacity), si.Mass(sd*f.capacity)
	e.Low = si.Ratio(max(0, min(1, s)-tenth*sd))
	e.High = si.Ratio(min(mostShare, s+tenth*sd))
	e.Loading = si.Ratio(f.meter.mu)
	e.Measured = f.meter.source != bySetting
	if f.seconds >= 5 {
		k := math.Exp(f.b.x[iFlow])
		e.FlowKnown = true
		e.Flow = si.MassFlow(k * f.shortFlow)
		if f.meter.stopped > 0 {
			e.Flow = 0
		}
		e.FlowSD = si.MassFlow(k * f.shortFlow * math.Sqrt(f.b.p[iFlow][iFlow]))
	}
	if e.Known && f.seconds >= 60 {
		e.Empty = f.empty(&b, s, v)
		if e.Empty.Known && f.dutyOf > 120 {
			duty := max(0.02, min(1, f.duty/f.dutyOf))
			e.OnClock = onClock(e.Empty, duty)
		}
	}
	return e
}

// empty is the time to empty in blasting seconds, (12), of a share with its variance.
func (f *Filter) empty(b *belief, s, v float64) Forecast {
	now := f.steadyFlow
	if !(now > 0) || !(f.longFlow > 0) {
		return Forecast{}
	}
	k := math.Exp(b.x[iFlow]) / f.capacity
	t := s / (k * now)
	// The setting goes back to the usual one, as a process of Ornstein and Uhlenbeck: its mean over the time to come, and
	// the variance of that mean.
	l := math.Log(now / f.longFlow)
	settings := max(0, f.spread-wobbleLeft*f.wobble)
	spread, moves := spreadSeen*max(0, settings-spreadLeft), min(1, steadyShare+settings/spreadAll)
	if f.meter.source == bySetting {
		spread, moves = spreadAtFirst, 1
	}
	var g float64
	for range 3 {
		x := max(t, 1) / changes
		lean := (1 - math.Exp(-x)) / x
		t = s / (k * f.longFlow * math.Exp(l*lean))
		g = spread * max(0, 2/x*(1-lean)-lean*lean)
	}
	if s <= 0 || !(t > 0) {
		return Forecast{Known: true}
	}
	rate := s / t
	// Level and flow factor lean on one another.
	vk, c := moves*b.p[iFlow][iFlow], math.Sqrt(moves)*b.p[iShare][iFlow]
	ofFlow, ofShare := s*s*(vk+g), v-2*s*c
	if ofShare < 0 {
		ofFlow, ofShare = max(0.3*ofFlow, ofFlow+ofShare), 0
	}
	ofShare = max(ofShare, 0.1*v)
	// The flow's part is one of factors, the level's one of differences.
	q := func(z float64) time.Duration {
		factor := math.Exp(z*math.Sqrt(ofFlow)/s) - 1
		off := math.Copysign(math.Hypot(t*factor, z*math.Sqrt(ofShare)/rate), z)
		return time.Duration(max(0, min(longestIn.Seconds(), t+off)) * float64(time.Second))
	}
	return Forecast{true, q(-tenth), q(0), q(tenth)}
}

// onClock stretches blasting seconds by the duty, which is less sure the shorter the time is.
func onClock(b Forecast, duty float64) Forecast {
	stretch := func(d time.Duration, sign float64) time.Duration {
		t := d.Seconds() / duty
		w := 0.17 + 0.52*math.Sqrt(60/(t+60))
		return time.Duration(min(longestIn.Seconds(), t*math.Exp(sign*tenth*w*(1-duty))) * float64(time.Second))
	}
	return Forecast{true, stretch(b.P10, -1), stretch(b.P50, 0), stretch(b.P90, 1)}
}
