package signals_test

import (
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/condensate"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/potparams"
	"gritwatch/server/internal/signals"
)

const begin = si.Instant(1_790_000_000_000_000)

func follower(t *testing.T) *engine.Follower {
	t.Helper()
	p, err := potfile.ParsePot("pot.yaml", []byte(`name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, control]
units: {pressure: psi}
`))
	if err != nil {
		t.Fatal(err)
	}
	f := potparams.Follower(p, 0)
	o := &f.Out
	o.At, o.State = begin, engine.Blasting
	o.Readings[points.Vessel] = engine.Reading{At: begin, Value: 650e3}
	o.Readings[points.Hose] = engine.Reading{At: begin, Value: 580e3}
	o.Readings[points.Supply] = engine.Reading{At: begin, Value: 700e3}
	return f
}

// moment is one with all points fresh.
func moment() *signals.Moment {
	return &signals.Moment{At: begin.Add(time.Hour), Shift: time.Hour, Answered: true, Answer: vent.Answer{Word: vent.Pressurised},
		Fresh: points.SetOf(points.Supply, points.Vessel, points.Hose, points.Control), Target: 690e3, Ambient: si.StandardAtmosphere, Crossed: "birch"}
}

func TestFill(t *testing.T) {
	f := follower(t)
	o := &f.Out
	o.Losses = losses.Estimate{At: begin - 2_000_000, Nozzle: si.GaugePressure(600e3).Absolute(si.StandardAtmosphere), Account: true, First: points.Supply, Sag: 50e3}
	o.Level = level.Estimate{Known: true, Share: 0.5, Low: 0.4, High: 0.6, FlowKnown: true, Empty: level.Forecast{Known: true, P10: time.Minute, P50: 2 * time.Minute, P90: 3 * time.Minute}}
	for i := range o.Wear {
		o.Wear[i] = wear.Index{Known: true, Value: si.Ratio(1 + float64(i)/10), SD: 0.01, DueAt: si.Ratio(1.3 + float64(i)/10), Finding: i%2 == 1,
			Limit: wear.Forecast{Known: true, P10: begin, P50: begin + 1}}
	}
	o.Condensate = condensate.Estimate{Known: true, Due: true, Water: 0.5, DueAt: 0.4}
	var s alarm.Signals
	signals.Fill(&s, f, moment())
	if s.At != begin.Add(time.Hour) || s.Vent == nil || s.Gauges == nil || !s.Answered || s.Answer.Word != vent.Pressurised || s.Crossed != "birch" || s.Faulty {
		t.Errorf("%+v", s)
	}
	if !s.Blasting || s.Vessel != (alarm.Pressure{Known: true, Value: 650e3}) || s.Supply.Value != 700e3 || s.Hose != (alarm.Pressure{Known: true, Value: 580e3}) || s.Target != (alarm.Pressure{Known: true, Value: 690e3}) ||
		s.Sag != (alarm.Pressure{Known: true, Value: 50e3}) {
		t.Errorf("pressures %+v", s)
	}
	// There is no nozzle point: the pressure is the estimate's.
	if v := float64(s.Nozzle.Value); !s.Nozzle.Known || v < 599e3 || v > 601e3 || !s.NozzleComputed {
		t.Errorf("nozzle %+v", s.Nozzle)
	}
	if l := s.Level; l.Share != 0.5 || l.Low != 0.4 || l.High != 0.6 || l.P50 != 2*time.Minute || l.Feed != alarm.Flowing {
		t.Errorf("level %+v", l)
	}
	for i, part := range []wear.Part{alarm.Separator: wear.Separator, alarm.Valve: wear.Valve, alarm.Mixing: wear.Mixing, alarm.Hose: wear.Hose, alarm.Exhaust: wear.Exhaust, alarm.Nozzle: wear.Bore} {
		x, w := s.Wear[i], o.Wear[part]
		if !x.Known || x.Value != w.Value || x.Limit != w.DueAt || x.Found != w.Finding || x.P10 != begin.Add(time.Hour) || x.P90 != 0 || !x.ForecastKnown {
			t.Errorf("%s: %+v", part, x)
		}
	}
	if s.Drain != (alarm.Load{Known: true, Due: true, Water: 0.5, DueAt: 0.4}) {
		t.Errorf("drain %+v", s.Drain)
	}
	if n := testing.AllocsPerRun(100, func() { signals.Fill(&s, f, moment()) }); n > 1 { // the moment
		t.Errorf("%v allocations", n)
	}
}

// TestFillLittle: what is not fresh is not known; what the hose carries is known while the pot blasts alone; losses of long ago are none.
func TestFillLittle(t *testing.T) {
	var s alarm.Signals
	for stop, want := range map[level.Stop]alarm.Feed{level.Flowing: alarm.Flowing, level.Blocked: alarm.Blocked, level.Empty: alarm.Empty, level.Undecided: alarm.FeedUndecided} {
		f := follower(t)
		f.Out.Level = level.Estimate{Known: true, FlowKnown: true, Stop: stop}
		if signals.Fill(&s, f, moment()); s.Level.Feed != want {
			t.Errorf("%s: %v", stop, s.Level.Feed)
		}
		f.Out.State = engine.Venting
		if signals.Fill(&s, f, moment()); s.Level.Feed != alarm.FeedUnknown || s.Blasting {
			t.Errorf("%s, venting: %v", stop, s.Level.Feed)
		}
	}
	f := follower(t)
	if signals.Fill(&s, f, moment()); s.Level.Feed != alarm.FeedUnknown || s.Nozzle.Known || s.Sag.Known || s.Wear[0].Known || s.Drain.Known {
		t.Errorf("nothing is known: %+v", s)
	}
	f.Out.Losses = losses.Estimate{At: begin - 5_000_000, Nozzle: 700e3, Account: true}
	if signals.Fill(&s, f, moment()); s.Nozzle.Known || s.Sag.Known {
		t.Errorf("losses of five seconds ago: %+v", s)
	}
	m := moment()
	m.Fresh, m.Target = points.SetOf(points.Supply), 0
	if signals.Fill(&s, f, m); s.Vessel.Known || !s.Supply.Known || s.Blasting || s.Target.Known {
		t.Errorf("the vessel is not fresh: %+v", s)
	}
}
