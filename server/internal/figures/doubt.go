package figures

import (
	"math"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/losses"
)

// eightOfTen is how many standard deviations of a normal distribution an 80 % interval reaches to either side (its 90th percentile; NIST/SEMATECH
// e-Handbook of Statistical Methods, 1.3.6.7.1, from memory).
const eightOfTen = 1.2816

// Doubt tells how far off the readings that are shown and what Fill has told of them may be; nil: nothing is shown. What is declared of a gauge bounds
// its errors, and within the bound nothing is known of them: the variance is a third of its square (a rectangle; JCGM 100:2008, 4.3.7). It lies in the
// sheet, as what Fill has told does.
func (s *Sheet) Doubt(p *Pot, o *engine.Output, shown *live.Pressures) *live.Doubt {
	out := &s.doubt.of
	*out = live.Doubt{}
	some := false
	at := [points.Path]struct{ read, off **float64 }{{&shown.Supply, &out.PressurePa.Supply}, {&shown.Separator, &out.PressurePa.Separator},
		{&shown.Vessel, &out.PressurePa.Vessel}, {&shown.Hose, &out.PressurePa.Hose}, {&shown.Nozzle, &out.PressurePa.Nozzle}}
	for pt, x := range at {
		if *x.read != nil {
			*x.off, some = s.number(float64(p.Gauges[pt].U(si.GaugePressure(**x.read))), pascal), true
		}
	}
	if s.NozzlePa != nil {
		out.NozzlePa, some = s.number(eightOfTen*math.Sqrt(p.nozzle(o)), pascal), true
	}
	if s.Losses != nil {
		out.Losses, some = s.accountDoubt(p, o), true
	}
	if !some {
		return nil
	}
	return out
}

// A sheetDoubt is what Doubt points to.
type sheetDoubt struct {
	of       live.Doubt
	account  live.Account
	segments [points.SegmentCount]live.SegmentLoss
	short    live.Cost
}

// computed is the standard deviation of a computed pressure at the nozzle beside what the hose point's gauge is off. It is reckoned with a sound hose: what one that
// clogs or kinks takes, no gauge before it tells. Fitted to simulated pots whose hoses do; no source.
const computed = 3 * si.PSI

// nozzle is the variance of the computed pressure at the nozzle, Pa^2: it is reckoned from the hose point's.
func (p *Pot) nozzle(o *engine.Output) float64 {
	return computed*computed + third(&p.Gauges[points.Hose], o.Readings[points.Hose].Value)
}

// third is the variance of a reading, Pa^2.
func third(g *vent.Gauge, at si.GaugePressure) float64 {
	u := float64(g.U(at))
	return float64(u*u) / 3
}

// moved is the variance of how much a point's pressure differs from the baseline's, Pa^2. Where the pot's own gauge showed both, what it shows too much at
// each pressure falls out: its error of span is that of the difference alone, and its zero has moved since by no more than its declared error.
// Numbers that were written down may be another gauge's.
func (p *Pot) moved(pt points.Point, o *engine.Output) float64 {
	b := &o.Baseline.Laden
	now, then := o.Readings[pt].Value, si.AbsPressure(b.P[pt]).Gauge(p.Air)
	if b.How == baseline.Commissioned {
		return third(&p.Gauges[pt], now) + third(&p.Gauges[pt], then)
	}
	return third(&p.Gauges[pt], now-then)
}

// accountDoubt is how far off the account may be that Fill has made, number by number.
func (s *Sheet) accountDoubt(p *Pot, o *engine.Output) *live.Account {
	l, told := &o.Losses, s.Losses
	hour, priced := p.Costs.PerHour(o.Level.Flow)
	cost := func(variance float64) live.Cost {
		pa := eightOfTen * math.Sqrt(variance)
		share := float64(losses.Share(si.PressureDrop(pa)))
		c := live.Cost{Pa: round(pa, pascal), Share: round(share, shares)}
		if priced {
			c.MoneyH = s.number(share*hour, money)
		}
		return c
	}
	end := func(pt points.Point) float64 {
		if pt == points.Nozzle && !l.Measured {
			return p.nozzle(o)
		}
		return p.moved(pt, o)
	}
	out := &s.doubt.account
	*out = live.Account{Fall: cost(end(points.Nozzle)), Sag: cost(end(l.First)), SagAt: told.SagAt, Currency: told.Currency}
	at := [points.SegmentCount]**live.SegmentLoss{&out.Separator, &out.Valve, &out.Mixing, &out.Hose}
	for i := range l.Parts {
		part := &l.Parts[i]
		if !part.Known {
			continue
		}
		x := &s.doubt.segments[i]
		*x = live.SegmentLoss{From: part.From.String(), Excess: cost(end(part.From) + end(points.Point(i)+1))}
		if d := o.Doubt[i]; d > 0 {
			x.ResistancePa = s.number(eightOfTen*float64(d), pascal)
		}
		*at[i] = x
	}
	if told.Short != nil {
		short := &s.doubt.short
		*short = cost(third(&p.Gauges[points.Nozzle], si.AbsPressure(o.Baseline.Laden.P[points.Nozzle]).Gauge(p.Air)))
		if !l.Measured {
			*short = cost(p.nozzle(o))
		}
		out.Short = short
	}
	return out
}
