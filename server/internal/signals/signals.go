// Package signals puts what follows a pot into the form that alarms are judged by: the same for a live pot, over stored
// samples, and over a log. It is pure, and allocates nothing.
package signals

import (
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/wear"
)

// Alarms is a detector of a pot's alarms that has seen nothing.
func Alarms(p potfile.Pot) *alarm.Detector {
	return alarm.NewDetector(alarm.Params{Pot: p.Name, Points: p.Points, Rated: p.Vessel.Rated, Ambient: p.Atmosphere.Pressure()})
}

// A Moment is what of a pot's signals its follower does not know.
type Moment struct {
	At    si.Instant    // in stored time
	Shift time.Duration // stored time less the samples'

	Answered bool        // Answer is known
	Answer   vent.Answer // as it is served

	// Fresh tells of which points the newest reading is good and stands for the present.
	Fresh   points.Set
	Target  si.GaugePressure // 0: not known
	Ambient si.AbsPressure
	Crossed string // the pot whose gauge seems to be exchanged with one of this; empty: none
}

// Fill makes the signals of a moment.
func Fill(s *alarm.Signals, f *engine.Follower, m *Moment) {
	o := &f.Out
	*s = alarm.Signals{At: m.At, Vent: f.Watch, Gauges: f.Gauges, Faulty: f.Judge.Faulty(), Handle: f.Handle(),
		Answered: m.Answered, Answer: m.Answer, Crossed: m.Crossed,
		Vessel: reading(o, m, points.Vessel), Supply: reading(o, m, points.Supply), Hose: reading(o, m, points.Hose), Nozzle: reading(o, m, points.Nozzle),
		Target: alarm.Pressure{Known: m.Target > 0, Value: m.Target},
		Drain:  alarm.Load{Known: o.Condensate.Known, Due: o.Condensate.Due, Water: o.Condensate.Water, DueAt: o.Condensate.DueAt}}
	s.Blasting = s.Vessel.Known && o.State == engine.Blasting
	if l := &o.Losses; s.Blasting && l.At != 0 && o.At.Sub(l.At) <= freshFor {
		if !s.Nozzle.Known && !l.Measured && l.Nozzle > 0 {
			s.Nozzle, s.NozzleComputed = alarm.Pressure{Known: true, Value: l.Nozzle.Gauge(m.Ambient)}, true
		}
		s.Sag = alarm.Pressure{Known: l.Account && l.First == points.Supply, Value: si.GaugePressure(l.Sag)}
	}
	s.Level = levelOf(&o.Level, s.Blasting)
	for i := range o.Wear {
		x := &o.Wear[i]
		s.Wear[i] = alarm.Index{Known: x.Known, Value: x.Value, SD: x.SD, Limit: x.DueAt, Found: x.Finding, ForecastKnown: x.Limit.Known,
			P10: moved(x.Limit.P10, m.Shift), P50: moved(x.Limit.P50, m.Shift), P90: moved(x.Limit.P90, m.Shift)}
	}
}

// The parts of both stand in one order.
var _ = [1]struct{}{}[int(wear.Bore)-int(alarm.Nozzle)]

// freshFor is how old the last second of blasting may be: its middle, and the readings that are to come before it is complete.
const freshFor = 4 * time.Second

func reading(o *engine.Output, m *Moment, p points.Point) alarm.Pressure {
	return alarm.Pressure{Known: m.Fresh.Has(p), Value: o.Readings[p].Value}
}

// moved is an instant in stored time; 0 stays: it may never be.
func moved(at si.Instant, by time.Duration) si.Instant {
	if at == 0 {
		return 0
	}
	return at.Add(by)
}

// levelOf is the abrasive. What the hose carries is known while the pot blasts alone, and that abrasive flows only where the flow is.
func levelOf(l *level.Estimate, blasting bool) alarm.Level {
	out := alarm.Level{Known: l.Known, Share: l.Share, Low: l.Low, High: l.High, EmptyKnown: l.Empty.Known, P10: l.Empty.P10, P50: l.Empty.P50, P90: l.Empty.P90, Refills: l.Refills}
	if !blasting {
		return out
	}
	switch l.Stop {
	case level.Blocked:
		out.Feed = alarm.Blocked
	case level.Empty:
		out.Feed = alarm.Empty
	case level.Undecided:
		out.Feed = alarm.FeedUndecided
	case level.Flowing:
		if l.FlowKnown {
			out.Feed = alarm.Flowing
		}
	}
	return out
}
