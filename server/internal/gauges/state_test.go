package gauges_test

import (
	"errors"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// trouble plays four minutes with every kind of fault, and gaps between.
func trouble(r *rig) {
	r.run(1.5 * cycle)
	r.g[points.Hose].lag = 0.7
	r.g[points.Nozzle].shows, r.g[points.Separator].shows = points.Separator, points.Nozzle
	r.g[points.Vessel].offset = 4e3
	r.run(1.2 * cycle)
	r.now += 7
	r.g[points.Supply].stuck = true
	r.g[points.Vessel].noise = 6e3
	r.run(cycle)
	r.g[points.Control].out = true
	r.run(1.1 * cycle)
	r.g[points.Control].out = false
	r.run(0.6 * cycle)
}

// Saved at any cut, restored and gone on, all that is found and learned is the same bit for bit.
func TestSaveAndRestore(t *testing.T) {
	type input struct {
		s points.Sample
		h vent.Handle
	}
	var ins []input
	r := newRig(t, 10, 11)
	r.each = func(s points.Sample, h vent.Handle) { ins = append(ins, input{s, h}) }
	trouble(r)
	kinds := map[gauges.Kind]bool{}
	w := gauges.New(gauges.Params{Pot: r.pot})
	var seen gauges.Seen
	for _, in := range ins {
		w.Step(in.s, in.h)
		w.Tell(&seen, func(_ points.Point, k gauges.Kind, _ gauges.Finding) { kinds[k] = true })
	}
	if len(kinds) < 4 {
		t.Fatalf("the story finds only %v", kinds)
	}
	want := string(w.AppendState(nil))
	a, done := gauges.New(gauges.Params{Pot: r.pot}), 0
	for cut := 0; cut < len(ins); cut += 101 {
		for ; done < cut; done++ {
			a.Step(ins[done].s, ins[done].h)
		}
		b := gauges.New(gauges.Params{Pot: r.pot})
		if err := b.SetState(a.AppendState(nil)); err != nil {
			t.Fatal(err)
		}
		for _, in := range ins[cut:] {
			b.Step(in.s, in.h)
		}
		if string(b.AppendState(nil)) != want {
			t.Fatalf("cut at %d: not the same", cut)
		}
	}
	if len(want) > 20_000 {
		t.Errorf("the state has %d bytes", len(want))
	}
	before := string(a.AppendState(nil))
	if err := a.SetState([]byte(want[:100])); !errors.Is(err, statecodec.ErrState) || string(a.AppendState(nil)) != before {
		t.Errorf("a cut state: %v", err)
	}
}

// The same of what only pots without a control point and such as hold their pressure have.
func TestSaveAndRestoreOfOtherPots(t *testing.T) {
	for _, holds := range []bool{false, true} {
		r := newRig(t, 10, 17, points.Supply, points.Separator, points.Vessel, points.Hose)
		r.pot.HoldsPressure = holds
		r.restart()
		if holds {
			r.world = holding(0.2, 0.6)
		}
		type input struct {
			s points.Sample
			h vent.Handle
		}
		var ins []input
		r.each = func(s points.Sample, h vent.Handle) { ins = append(ins, input{s, h}) }
		r.run(2 * cycle)
		r.g[points.Hose].lag = 1
		r.run(2.4 * cycle)
		r.g[points.Hose].shows, r.g[points.Separator].shows = points.Separator, points.Hose
		r.wrong = true
		r.run(2 * cycle)
		want := string(r.w.AppendState(nil))
		a, done := gauges.New(gauges.Params{Pot: r.pot}), 0
		step := 53
		if testing.Short() { // some will do for the race detector
			step = 1009
		}
		for cut := 0; cut < len(ins); cut += step {
			for ; done < cut; done++ {
				a.Step(ins[done].s, ins[done].h)
			}
			b := gauges.New(gauges.Params{Pot: r.pot})
			if err := b.SetState(a.AppendState(nil)); err != nil {
				t.Fatal(err)
			}
			for _, in := range ins[cut:] {
				b.Step(in.s, in.h)
			}
			if string(b.AppendState(nil)) != want {
				t.Fatalf("holds %v, cut at %d: not the same", holds, cut)
			}
		}
	}
}

// A break ends what was being watched; what was found stands, and a clock that was stepped back is followed.
func TestBreak(t *testing.T) {
	r := newRig(t, 10, 12)
	r.g[points.Vessel].lag = 0.7
	r.run(3 * cycle)
	r.only(of(points.Vessel, gauges.SlowPort))
	r.g[points.Vessel].lag = 0
	r.w.Break(vent.ClockStep)
	r.only(of(points.Vessel, gauges.SlowPort))
	r.now = 0
	r.run(4 * cycle)
	r.only()

	// A press that began before the break is no press in sight: nothing is measured by it.
	r = newRig(t, 10, 13)
	r.g[points.Vessel].lag = 0.7
	for range 4 {
		r.until(releaseAt - 2)
		r.w.Break(vent.SourceSilent)
	}
	r.only()
}

// Findings are told once a change.
func TestTell(t *testing.T) {
	r := newRig(t, 10, 14)
	var seen gauges.Seen
	var told []bool
	r.each = func(points.Sample, vent.Handle) {
		r.w.Tell(&seen, func(p points.Point, k gauges.Kind, f gauges.Finding) {
			if p != points.Vessel || k != gauges.OutOfRange {
				t.Errorf("%s of %s", k, p)
			}
			told = append(told, f.On)
		})
	}
	r.run(cycle)
	r.g[points.Vessel].out = true
	r.run(10)
	r.g[points.Vessel].out = false
	r.run(20)
	if len(told) != 2 || !told[0] || told[1] {
		t.Errorf("told %v", told)
	}
}

func BenchmarkWatch(b *testing.B) {
	r := newRig(&testing.T{}, 10, 15)
	type input struct {
		s points.Sample
		h vent.Handle
	}
	var ins []input
	r.each = func(s points.Sample, h vent.Handle) { ins = append(ins, input{s, h}) }
	r.run(4 * cycle)
	w := gauges.New(gauges.Params{Pot: r.pot})
	shift := si.Instant(0)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		in := ins[n%len(ins)]
		if in.s.At, in.h.Since = in.s.At+shift, in.h.Since+shift; n%len(ins) == len(ins)-1 {
			shift += si.Instant(4 * cycle * float64(time.Second/time.Microsecond))
		}
		w.Step(in.s, in.h)
		n++
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
}
