package engine_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/gauges"
)

// story is random samples of a pot that is pressed, vents and is pressed again, with gaps and bad readings.
func story(seed uint64) (ins []engine.Input) {
	rng := rand.New(rand.NewPCG(seed, 9))
	curve := ventCurve(8, 1.5)
	h := vent.Handle{Known: true, Since: t0}
	for s := 0.0; s < 40; s += 0.1 {
		phase := s - 20*float64(int(s/20))
		if pressed := phase > 2 && phase < 8; pressed != h.Pressed {
			h.Pressed, h.Since = pressed, t0.Add(time.Duration(s*1e9))
		}
		if rng.IntN(300) == 0 {
			s += 3
		}
		for k, p := range []points.Point{points.Supply, points.Vessel, points.Hose, points.Nozzle} {
			v := curve(phase) + si.GaugePressure(1e3*rng.NormFloat64())
			if p == points.Supply {
				v = 720e3
			}
			q := points.Good
			if rng.IntN(40) == 0 {
				q = points.NoReply
			}
			ins = append(ins, engine.Input{Handle: h, Sample: points.Sample{Point: p, Quality: q, Value: v, At: t0.Add(time.Duration(s*1e9) + time.Duration(k)*5*time.Millisecond)}})
		}
	}
	return ins
}

// Saved anywhere, restored into a new engine and new watches and gone on, the outcome is the same bit for bit.
func TestSaveAndRestore(t *testing.T) {
	params := engine.Params{Points: points.SetOf(points.Supply, points.Vessel, points.Hose, points.Nozzle), Target: 100 * si.PSI, Volume: 0.1, Nozzle: 3.0 / 8 * si.Inch}
	watch := vent.WatchParams{Pot: vent.Pot{Points: params.Points, Rated: 150 * si.PSI, Target: params.Target, Volume: 0.1}}
	for seed := range uint64(6) {
		ins := story(seed)
		whole, w, g := engine.New(params), vent.NewWatch(watch), gauges.New(gauges.Params{Pot: watch.Pot})
		var out engine.Now
		for i := range ins {
			whole.Step(&ins[i], &out)
			w.Step(ins[i].Sample, ins[i].Handle)
			g.Step(ins[i].Sample, ins[i].Handle)
		}
		if seed == 0 && out.Cycles < 1 {
			t.Fatal("the story has no cycle")
		}
		for cut := 0; cut < len(ins); cut += 37 {
			a, wa, ga := engine.New(params), vent.NewWatch(watch), gauges.New(gauges.Params{Pot: watch.Pot})
			var got engine.Now
			for i := range ins[:cut] {
				a.Step(&ins[i], &got)
				wa.Step(ins[i].Sample, ins[i].Handle)
				ga.Step(ins[i].Sample, ins[i].Handle)
			}
			b, wb, gb := engine.New(params), vent.NewWatch(watch), gauges.New(gauges.Params{Pot: watch.Pot})
			if err := errors.Join(b.SetState(a.AppendState(nil)), wb.SetState(wa.AppendState(nil)), gb.SetState(ga.AppendState(nil))); err != nil {
				t.Fatal(err)
			}
			for i := range ins[:cut] {
				b.Prime(ins[i].Sample)
			}
			if !b.Primed() {
				t.Fatalf("seed %d, cut at %d: not primed", seed, cut)
			}
			for i := cut; i < len(ins); i++ {
				b.Step(&ins[i], &got)
				wb.Step(ins[i].Sample, ins[i].Handle)
				gb.Step(ins[i].Sample, ins[i].Handle)
			}
			if !bytes.Equal(whole.AppendState(nil), b.AppendState(nil)) || !bytes.Equal(w.AppendState(nil), wb.AppendState(nil)) ||
				!bytes.Equal(g.AppendState(nil), gb.AppendState(nil)) {
				t.Fatalf("seed %d, cut at %d: not the same", seed, cut)
			}
		}
	}
	e := engine.New(params)
	before := e.AppendState(nil)
	if err := e.SetState(before[:len(before)-1]); !errors.Is(err, statecodec.ErrState) || !bytes.Equal(before, e.AppendState(nil)) {
		t.Errorf("a cut state: %v", err)
	}
}
