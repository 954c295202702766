// Package figures puts what the engine estimates of a pot's flow, contents, losses and wear into the form of messages: the same for the
// live page, the API and a replay. Unknown values are absent.
package figures

import (
	"math"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/finding"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/engine/wear"
)

// A Pot is what figures use of a pot's configuration.
type Pot struct {
	Bore   si.Length
	Costs  potfile.Costs
	Target si.GaugePressure
	Air    si.AbsPressure // ambient
	Gauges [points.Count]vent.Gauge
}

// Of is that of a configured pot.
func Of(p potfile.Pot) Pot {
	return Pot{Bore: p.Nozzle.Bore, Costs: p.Costs, Target: p.Nozzle.Target, Air: p.Atmosphere.Pressure(), Gauges: p.Vent().Gauges}
}

// A Sheet holds figures and the numbers that they point to, so that filling it again allocates little.
type Sheet struct {
	live.Figures
	// Of a pot without a nozzle point, while it blasts; nil: not known.
	NozzlePa   *float64
	Production *float64

	numbers  [72]float64
	n        int
	empty    live.Quantiles
	clock    live.Quantiles
	account  live.Account
	segments [points.SegmentCount]live.SegmentLoss
	short    live.Cost
	baseline live.Baseline
	water    live.Condensate
	wears    [wear.Parts]live.Wear
	findings [mostFindings]string
	doubt    sheetDoubt
}

// mostFindings is one of each part, and of losses, feed, stop and drain one.
const mostFindings = wear.Parts + 4

func (s *Sheet) number(v, parts float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) || s.n == len(s.numbers) {
		return nil
	}
	f := &s.numbers[s.n]
	*f, s.n = round(v, parts), s.n+1
	return f
}

// round is v to a part of one.
func round(v, parts float64) float64 {
	v = math.Round(v*parts) / parts
	if v == 0 {
		v = 0 // not minus zero
	}
	return v
}

// Parts of one that values are rounded to.
const (
	flows  = 1e4
	masses = 1e1
	shares = 1e4
	pascal = 1
	money  = 1e2
)

// Fill makes the figures of what is known. Blasting says that the pot blasts at present, and shift is added to instants of the samples' clock.
func (s *Sheet) Fill(p *Pot, o *engine.Output, blasting bool, shift time.Duration) {
	s.Figures, s.NozzlePa, s.Production, s.n = live.Figures{}, nil, nil, 0
	s.level(&o.Level, blasting)
	s.wear(p, o, shift)
	l := &o.Losses
	if blasting && l.At != 0 && o.At.Sub(l.At) <= freshFor {
		s.blasting(p, o, l)
	}
	if b := &o.Baseline.Laden; b.Known() || o.Baseline.Air.Known() {
		if !b.Known() {
			b = &o.Baseline.Air
		}
		s.baseline = live.Baseline{How: b.How.String(), T: instant(b.At, shift), Seconds: b.Seconds, Provisional: o.Baseline.Provisional()}
		if o.Baseline.Air.Known() {
			s.baseline.AirOnly = o.Baseline.Air.How.String()
		}
		s.Baseline = &s.baseline
	}
	if c := &o.Condensate; c.Known {
		s.water = live.Condensate{Since: instant(c.Since, shift), AirKg: round(float64(c.Air), masses), WaterKg: round(float64(c.Water), 1e3), Due: c.Due}
		s.Condensate = &s.water
	}
	s.found(o, blasting)
}

// freshFor is how old the last second of blasting may be: its middle, and the readings that are to come before it is complete.
const freshFor = 4 * time.Second

func instant(at si.Instant, shift time.Duration) string {
	if at == 0 {
		return ""
	}
	return at.Add(shift).String()
}

func (s *Sheet) level(l *level.Estimate, blasting bool) {
	if l.Known {
		s.LevelKg, s.LevelSdKg = s.number(float64(l.Mass), masses), s.number(float64(l.SD), masses)
		s.LevelShare, s.LevelLow, s.LevelHigh = s.number(float64(l.Share), shares), s.number(float64(l.Low), shares), s.number(float64(l.High), shares)
		s.UsedKg = s.number(float64(l.Used), masses)
	}
	if l.FlowKnown && blasting {
		s.FlowKgS, s.Loading = s.number(float64(l.Flow), flows), s.number(float64(l.Loading), 1e3)
	}
	s.EmptyS, s.EmptyClockS = quantiles(&s.empty, l.Empty), quantiles(&s.clock, l.OnClock)
}

func quantiles(into *live.Quantiles, f level.Forecast) *live.Quantiles {
	if !f.Known {
		return nil
	}
	*into = live.Quantiles{P10: round(f.P10.Seconds(), 1), P50: round(f.P50.Seconds(), 1), P90: round(f.P90.Seconds(), 1)}
	return into
}

// wear fills in what strokes tell; resistances that they do not are those of the last second of blasting.
func (s *Sheet) wear(p *Pot, o *engine.Output, shift time.Duration) {
	at := [wear.Parts]**live.Wear{&s.Wear.Separator, &s.Wear.Valve, &s.Wear.Mixing, &s.Wear.Hose, &s.Wear.Exhaust, &s.Wear.Bore}
	ratios := [points.SegmentCount]**float64{&s.Resistance.Separator, &s.Resistance.Valve, &s.Resistance.Mixing, &s.Resistance.Hose}
	for i := range o.Wear {
		x := &o.Wear[i]
		if !x.Known {
			continue
		}
		w := &s.wears[i]
		*w = live.Wear{Index: round(float64(x.Value), 1e3), SD: round(float64(x.SD), 1e3), Due: x.Finding, Limit: round(float64(x.DueAt), 1e3), Changed: instant(x.Changed, shift)}
		if x.TrendSD > 0 {
			w.TrendH = s.number(x.Trend, 1e5)
		}
		if x.Limit.Known {
			w.T10, w.T50, w.T90 = instant(x.Limit.P10, shift), instant(x.Limit.P50, shift), instant(x.Limit.P90, shift)
		}
		*at[i] = w
		switch part := wear.Part(i); {
		case i < points.SegmentCount:
			*ratios[i] = s.number(float64(x.Value), 1e3)
		case part == wear.Exhaust:
			s.Exhaust = s.number(float64(x.Value), 1e3)
		case part == wear.Bore && p.Bore > 0:
			s.BoreMm, s.BoreSdMm = s.number(float64(p.Bore*si.Length(x.Value))*1e3, 1e3), s.number(float64(p.Bore*si.Length(x.SD))*1e3, 1e3)
		}
	}
	for i, r := range o.Losses.Resistance {
		if *ratios[i] == nil && r > 0 {
			*ratios[i] = s.number(float64(r), 1e3)
		}
	}
}

// blasting fills in what holds for the present second alone.
func (s *Sheet) blasting(p *Pot, o *engine.Output, l *losses.Estimate) {
	if l.Air > 0 {
		s.AirKgS = s.number(float64(l.Air), flows)
	}
	if l.Nozzle > 0 && !l.Measured {
		gauge := l.Nozzle.Gauge(p.Air)
		s.NozzlePa = s.number(float64(gauge), pascal)
		if p.Target > 0 {
			s.Production = s.number(float64(engine.Production(gauge, p.Target)), shares)
		}
	}
	if !l.Account {
		return
	}
	hour, priced := p.Costs.PerHour(o.Level.Flow)
	cost := func(pa si.PressureDrop) live.Cost {
		share := losses.Share(pa)
		c := live.Cost{Pa: round(float64(pa), pascal), Share: round(float64(share), shares)}
		if priced {
			c.MoneyH = s.number(float64(share)*hour, money)
		}
		return c
	}
	s.account = live.Account{Fall: cost(l.Fall), Sag: cost(l.Sag), SagAt: l.First.String()}
	a := &s.account
	if priced {
		a.Currency = p.Costs.Currency
	}
	at := [points.SegmentCount]**live.SegmentLoss{&a.Separator, &a.Valve, &a.Mixing, &a.Hose}
	for i := range l.Parts {
		part := &l.Parts[i]
		if !part.Known {
			continue
		}
		s.segments[i] = live.SegmentLoss{From: part.From.String(), Excess: cost(part.Excess)}
		if part.Split {
			x := &s.segments[i]
			x.FlowPa, x.MixPa, x.ResistancePa = s.number(float64(part.Flow), pascal), s.number(float64(part.Mix), pascal), s.number(float64(part.Resistance), pascal)
		}
		*at[i] = &s.segments[i]
	}
	if p.Target > 0 {
		s.short = cost(max(0, l.Short)) // more than the target is worth nothing
		s.short.Pa = round(float64(l.Short), pascal)
		a.Short = &s.short
	}
	s.Losses = a
}

// found lists what has changed.
func (s *Sheet) found(o *engine.Output, blasting bool) {
	n := 0
	add := func(f finding.Finding) {
		name := f.String()
		for _, was := range s.findings[:n] {
			if was == name {
				return
			}
		}
		if name != "" {
			s.findings[n], n = name, n+1
		}
	}
	for i, f := range [wear.Parts]finding.Finding{finding.SeparatorRestricted, finding.ValveRestricted, finding.MixingRestricted, finding.HoseRestricted,
		finding.ExhaustRestricted, finding.NozzleWorn} {
		if o.Wear[i].Known && o.Wear[i].Finding {
			add(f)
		}
	}
	if blasting {
		add(o.Losses.Finding)
		add(o.Losses.Feed)
		add(Stopped(o.Level.Stop))
	}
	if o.Condensate.Due {
		add(finding.DrainDue)
	}
	if n > 0 {
		s.Findings = s.findings[:n:n]
	}
}

// Stopped is what is found where abrasive has stopped to flow.
func Stopped(s level.Stop) finding.Finding {
	switch s {
	case level.Blocked:
		return finding.AbrasiveStopped
	case level.Empty:
		return finding.PotEmpty
	case level.Undecided:
		return finding.StopUndecided
	}
	return finding.None
}
