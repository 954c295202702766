package engine

import (
	"bytes"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/level"
)

// What comes after a silence that nobody told of may be another press, so the level takes it for one: its state is then that of a filter that was told. A gap of
// less than two seconds, or in a log that is slower, is no silence.
func TestSilenceEndsPress(t *testing.T) {
	for _, c := range []struct {
		period, gap time.Duration
		ends        bool
	}{{0, 30 * time.Second, true}, {0, 2100 * time.Millisecond, true}, {0, 1900 * time.Millisecond, false}, {10 * time.Second, 20 * time.Second, false}} {
		pot := vent.Pot{Name: "alder", Volume: 6.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI}
		for _, pt := range points.All() {
			pot.Points |= points.SetOf(pt)
			pot.Gauges[pt] = vent.Gauge{Kind: vent.KindGauge, Lo: 0, Hi: 200 * si.PSI}
		}
		f := NewFollower(pot, Params{Nozzle: 0.375 * si.Inch, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot, Period: c.period})
		at := si.Instant(1_760_000_000_000_000)
		shows := [points.Count]si.GaugePressure{points.Supply: 730e3, points.Separator: 720e3, points.Vessel: 710e3, points.Hose: 700e3, points.Nozzle: 620e3, points.Control: 650e3}
		step := max(c.period, 100*time.Millisecond)
		for range 300 {
			at = at.Add(step)
			for _, pt := range points.All() {
				f.Step(points.Sample{Point: pt, At: at, Quality: points.Good, Value: shows[pt]})
			}
		}
		before := f.about.level.AppendState(nil)
		told := level.New(level.Params{})
		if err := told.SetState(before); err != nil {
			t.Fatal(err)
		}
		told.Break()
		if bytes.Equal(told.AppendState(nil), before) {
			t.Fatal("no press goes on")
		}
		f.Step(points.Sample{Point: points.Supply, At: at.Add(c.gap), Quality: points.Good, Value: shows[points.Supply]})
		now := f.about.level.AppendState(nil)
		if ended := bytes.Equal(now, told.AppendState(nil)); ended != c.ends {
			t.Errorf("period %v, silent for %v: ended %v", c.period, c.gap, ended)
		}
	}
}
