package losses

import (
	"math"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Standard deviations of ln of a resistance in pots that have no nozzle point, before the vessel and behind it: there the mix is known by the flow
// alone. Fitted to simulated pots; no source.
const (
	aloneInlet = 0.05
	aloneTee   = 0.16
)

// Standard deviations of F by the inlet, and by the tee, of one second, which a smoothed resistance keeps a part of. Fitted to simulated pots; no source. The filter's
// own numbers are others, since errors last that it takes for noise.
const (
	inletNoise = 0.17
	teeNoise   = 0.4
)

// A Doubt is how well a part's resistance is told from its flow and its mix: the standard deviation of each part's Resistance, by which
// the other two are off the other way round; 0: not known. Of the errors of the gauges, which move the excess itself, it holds what the
// filter knows, and no more.
type Doubt [points.SegmentCount]si.PressureDrop

// Doubt is that of the newest estimate. It is reckoned from the filter's covariance: what it does not know of the nozzle's bore and the hose moves
// the flow that all segments have in common (see the package's documentation, (5) to (7)). Pots without a nozzle point have no filter; how far
// off they are was fitted to simulated pots.
func (l *Losses) Doubt() (out Doubt) {
	h, o := &l.held, &l.out
	if !o.Account {
		return out
	}
	slow, drag, tee := 0.0, 1.0, 0.0
	if a := l.air(); o.Measured && h.worn.begun {
		mu := float64(o.Loading)
		part := func(k float64) float64 { return float64(k*mu) / (1 + float64(k*mu)) }
		slow, drag, tee = part(float64(airflow.HandbookSlowing)), part(a.kappa), part(teeKappa)
	}
	each := max(0.1, drag-slow) // how much of what hose and bore explain is none of the loading's
	lean, teeLean := slow/each, tee/each
	for s := range out {
		p := &o.Parts[s]
		if !p.Split {
			continue
		}
		variance := 0.0
		switch seg := points.Segment(s); {
		case (!h.worn.begun || !o.Measured) && seg < points.MixingSegment:
			variance = aloneInlet * aloneInlet
		case !h.worn.begun || !o.Measured:
			variance = aloneTee * aloneTee
		case seg == points.HoseSegment:
			variance = h.worn.doubt(&[worns]float64{ofHose: 1}, 0)
		case seg == points.MixingSegment:
			variance = h.worn.doubt(&[worns]float64{ofBore: 1 + lean - teeLean, ofHose: lean - teeLean}, teeNoise*teeNoise/(2*smoothed-1))
		default:
			variance = h.worn.doubt(&[worns]float64{ofBore: 1 + lean, ofHose: lean}, inletNoise*inletNoise/(2*slowly-1))
		}
		drop := h.p[p.From] - h.p[points.Point(s)+1]
		out[s] = si.PressureDrop(logMean(drop, drop-float64(p.Excess)) * math.Sqrt(variance))
	}
	return out
}

// doubt is the mean square of how far sum by[i] x[i] of what is told lies from the truth, with a variance of its own: by the covariance, because of a hose that may
// be clogged less is said than it seems to be, and because the other explanation of a step may be true.
func (w *worn) doubt(by *[worns]float64, v float64) float64 {
	bore, hose := w.told()
	kept := float64(by[ofBore]*(w.x[ofBore]-bore)) + float64(by[ofHose]*(w.x[ofHose]-hose))
	_, all := w.spread(by, v)
	if o := &w.other; o.age > 0 {
		apart := w.apart(by)
		all += float64(o.unsure() * float64(apart*apart))
	}
	return all + float64(kept*kept)
}
