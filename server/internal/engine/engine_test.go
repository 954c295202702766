package engine_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
)

const t0 = si.Instant(1_790_000_000_000_000)

// A rig polls the points of a pot one after another, each at its own instant, from functions of the time in seconds.
type rig struct {
	e      *engine.Engine
	out    engine.Now
	handle vent.Handle
	now    si.Instant
	curve  map[points.Point]func(s float64) si.GaugePressure
	order  []points.Point
	apart  time.Duration // between two points
}

func newRig(target si.GaugePressure, order ...points.Point) *rig {
	return &rig{e: engine.New(engine.Params{Points: points.SetOf(order...), Target: target}), now: t0, order: order,
		curve: map[points.Point]func(float64) si.GaugePressure{}, apart: 10 * time.Millisecond}
}

func (r *rig) press()   { r.handle = vent.Handle{Known: true, Pressed: true, Since: r.now} }
func (r *rig) release() { r.handle = vent.Handle{Known: true, Since: r.now} }

// run polls every 100 ms for a time; each is told the output after every sample.
func (r *rig) run(d time.Duration, each func()) {
	for end := r.now.Add(d); r.now < end; r.now = r.now.Add(100 * time.Millisecond) {
		for i, p := range r.order {
			at := r.now.Add(time.Duration(i) * r.apart)
			s := points.Sample{Point: p, Quality: points.Good, At: at, Value: r.curve[p](at.Sub(t0).Seconds())}
			r.e.Step(&engine.Input{Sample: s, Handle: r.handle}, &r.out)
			if each != nil {
				each()
			}
		}
	}
}

func constant(p si.GaugePressure) func(float64) si.GaugePressure {
	return func(float64) si.GaugePressure { return p }
}

// TestRampHasNoFalseDrop: all points rise at 100 psi/s and are read 50 ms apart. The true drops are 0, 1, 2 and 3 psi;
// without bringing the readings to one instant 5 psi would be added to each.
func TestRampHasNoFalseDrop(t *testing.T) {
	r := newRig(0, points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle)
	r.apart = 50 * time.Millisecond
	loss := []float64{0, 0, 1, 3, 6} // psi under supply
	for i, p := range r.order {
		r.curve[p] = func(s float64) si.GaugePressure { return si.GaugePressure((100*s + 10 - loss[i]) * si.PSI) }
	}
	r.run(3*time.Second, nil)
	for s, want := range []float64{0, 1, 2, 3} {
		d := r.out.Drops[s]
		// A line is met exactly; instants are cut to a microsecond, which at 100 psi/s is 0.0001 psi.
		if got := float64(d.Loss) / si.PSI; !d.Known || math.Abs(got-want) > 2e-4 {
			t.Errorf("segment %v: known %v, %.5f psi, want %v", points.Segment(s), d.Known, got, want)
		}
	}
}

func TestDropAbsent(t *testing.T) {
	r := newRig(0, points.Supply, points.Separator, points.Vessel, points.Nozzle)
	for i, p := range r.order {
		r.curve[p] = constant(si.GaugePressure(600-10*float64(i)) * si.KPa)
	}
	r.run(time.Second, nil)
	if d := r.out.Drops; !d[0].Known || !d[1].Known || d[2].Known || d[3].Known {
		t.Fatalf("drops %+v: only those between neighbours can be told", d)
	}
	// A failed reading ends the line: no drop across it, until two good ones stand again around an instant.
	r.e.Step(&engine.Input{Sample: points.Sample{Point: points.Separator, Quality: points.OutOfRange, At: r.now, Value: 2e6}}, &r.out)
	if d := r.out.Drops; d[0].Known || d[1].Known {
		t.Errorf("drops %+v with a failed separator point", d)
	}
	if q := r.out.Readings[points.Separator]; q.Quality != points.OutOfRange || q.Value != 2e6 {
		t.Errorf("reading %+v, want the value kept as it came", q)
	}
	r.now = r.now.Add(100 * time.Millisecond)
	r.run(300*time.Millisecond, nil)
	if !r.out.Drops[0].Known {
		t.Error("no drop after the point came back")
	}
	// A silent point holds back no other.
	r.order = []points.Point{points.Supply, points.Separator}
	r.run(3*time.Second, nil)
	if d := r.out.Drops; !d[0].Known || d[1].Known {
		t.Errorf("drops %+v with a silent vessel point", d)
	}
	if r.out.State != engine.Unknown {
		t.Errorf("state %v with a vessel silent for 3 s", r.out.State)
	}
}

// TestCycle: a pot that charges in 5 s, blasts, and vents with a time constant of 2 s, with gauge noise of 0.1 % of
// 200 psi on the vessel (standard deviation). The sequence of states is the practitioner's.
func TestCycle(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	const kpa = si.GaugePressure(si.KPa)
	vessel := func(s float64) float64 {
		switch {
		case s < 5:
			return 0
		case s < 25: // rises to 680 kPa
			return 680 * (1 - math.Exp(-(s-5)/1.5))
		case s < 25.5: // the exhaust opens
			return 680
		default:
			return 680 * math.Exp(-(s-25.5)/2)
		}
	}
	r := newRig(100*si.PSI, points.Supply, points.Vessel)
	r.curve[points.Supply] = constant(700 * kpa)
	r.curve[points.Vessel] = func(s float64) si.GaugePressure {
		return si.GaugePressure(vessel(s)+1.4*noise.NormFloat64()) * kpa
	}
	r.handle = vent.Handle{Known: true, Since: t0.Add(-time.Hour)}
	var seen []engine.State
	var when []float64
	look := func() {
		if n := len(seen); n == 0 || seen[n-1] != r.out.State {
			seen, when = append(seen, r.out.State), append(when, r.out.At.Sub(t0).Seconds())
		}
	}
	r.run(5*time.Second, look)
	r.press()
	r.run(20*time.Second, look)
	r.release()
	r.run(25*time.Second, look)
	want := []engine.State{engine.Unknown, engine.AtRest, engine.Charging, engine.Blasting, engine.Venting, engine.AtRest}
	if len(seen) != len(want) {
		t.Fatalf("states %v at %v, want %v", seen, when, want)
	}
	for i := range want {
		if seen[i] != want[i] {
			t.Fatalf("states %v at %v, want %v", seen, when, want)
		}
	}
	// 90 % of supply is reached at 5 + 1.5 ln(680/50) = 8.9 s; 7 kPa at 25.5 + 2 ln(680/7) = 34.6 s.
	if when[3] < 8.5 || when[3] > 10 {
		t.Errorf("blasting at %.1f s, want about 8.9", when[3])
	}
	if when[4] > 25.2 {
		t.Errorf("venting at %.1f s, want 25", when[4])
	}
	if when[5] < 34 || when[5] > 36 {
		t.Errorf("at rest at %.1f s, want about 34.6", when[5])
	}
}

func TestHeld(t *testing.T) {
	noise := rand.New(rand.NewPCG(3, 4))
	r := newRig(0, points.Vessel)
	level := 600.0
	r.curve[points.Vessel] = func(s float64) si.GaugePressure {
		return si.GaugePressure(level+2.8*noise.NormFloat64()) * si.GaugePressure(si.KPa)
	}
	r.press()
	r.run(5*time.Second, nil)
	if r.out.State != engine.Blasting {
		t.Fatalf("state %v, want blasting", r.out.State)
	}
	// The exhaust stays shut: venting is due, then it is held, and stays so through the noise of an hour.
	r.release()
	r.run(1400*time.Millisecond, func() {
		if r.out.State != engine.Venting {
			t.Fatalf("state %v within 1.5 s of the release, want venting", r.out.State)
		}
	})
	r.run(3*time.Second, nil)
	bad := 0
	r.run(10*time.Minute, func() {
		if r.out.State != engine.Held {
			bad++
		}
	})
	if bad > 0 {
		t.Errorf("%d samples of 6000 not held", bad)
	}
	// Somebody opens the blowdown by hand.
	open := r.now.Sub(t0).Seconds()
	r.curve[points.Vessel] = func(s float64) si.GaugePressure {
		return si.GaugePressure(600*math.Exp(-(s-open)/10)) * si.GaugePressure(si.KPa)
	}
	r.run(3*time.Second, nil)
	if r.out.State != engine.Venting {
		t.Errorf("state %v with the blowdown open, want venting", r.out.State)
	}
}

func TestUnknown(t *testing.T) {
	r := newRig(0, points.Vessel, points.Control)
	r.curve[points.Vessel] = constant(300 * si.GaugePressure(si.KPa))
	r.curve[points.Control] = constant(0)
	r.run(2*time.Second, nil)
	if r.out.State != engine.Unknown {
		t.Errorf("state %v with the handle unknown and the vessel up", r.out.State)
	}
	r.release()
	r.run(3*time.Second, nil)
	if r.out.State != engine.Held {
		t.Errorf("state %v, want held", r.out.State)
	}
	r.e.Step(&engine.Input{Sample: points.Sample{Point: points.Vessel, Quality: points.OutOfRange, At: r.now.Add(time.Second), Value: 0}, Handle: r.handle}, &r.out)
	if r.out.State != engine.Unknown {
		t.Errorf("state %v with a failed vessel point", r.out.State)
	}
	// Pressed without air: contradictory after 3 s.
	r = newRig(0, points.Vessel)
	r.curve[points.Vessel] = constant(0)
	r.press()
	r.run(2900*time.Millisecond, nil)
	if r.out.State != engine.Charging {
		t.Errorf("state %v, want charging", r.out.State)
	}
	r.run(time.Second, nil)
	if r.out.State != engine.Unknown {
		t.Errorf("state %v with a press of 3 s that raised nothing", r.out.State)
	}
}

// TestProduction: 10 psi under a target of 100 psi cost 15 %, and under 50 psi the rule says no more.
func TestProduction(t *testing.T) {
	for _, c := range []struct{ nozzle, want float64 }{{90, 0.85}, {100, 1}, {120, 1}, {50, 0.25}, {20, 0.25}} {
		if got := engine.Production(si.GaugePressure(c.nozzle*si.PSI), 100*si.PSI); math.Abs(float64(got)-c.want) > 1e-9 {
			t.Errorf("at %v psi %v, want %v", c.nozzle, got, c.want)
		}
	}
	r := newRig(100*si.PSI, points.Vessel, points.Nozzle)
	r.curve[points.Vessel], r.curve[points.Nozzle] = constant(100*si.PSI), constant(92*si.PSI)
	r.release()
	r.run(3*time.Second, nil)
	if r.out.ProductionKnown || !r.out.NozzleMeasured {
		t.Errorf("held: production known %v, nozzle measured %v", r.out.ProductionKnown, r.out.NozzleMeasured)
	}
	r.press()
	r.run(3*time.Second, nil)
	if !r.out.ProductionKnown || math.Abs(float64(r.out.Production)-0.88) > 1e-9 {
		t.Errorf("blasting at 92 of 100 psi: %v %v, want 0.88", r.out.ProductionKnown, r.out.Production)
	}
}

func TestStepAllocs(t *testing.T) {
	e := engine.New(engine.Params{Points: points.SetOf(points.Vessel, points.Hose), Target: 6e5})
	in := engine.Input{Sample: points.Sample{Quality: points.Good, At: t0, Value: 5e5}, Handle: vent.Handle{Known: true, Pressed: true, Since: t0}}
	var out engine.Now
	if n := testing.AllocsPerRun(1000, func() {
		in.Sample.At += 50_000
		in.Sample.Point = points.Vessel
		if in.Sample.At%100_000 == 0 {
			in.Sample.Point = points.Hose
		}
		e.Step(&in, &out)
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

// FuzzStep: no samples whatever panic, and a state or drop is only told from good readings.
func FuzzStep(f *testing.F) {
	f.Add([]byte{2, 2, 1, 100, 3, 2, 1, 90})
	f.Fuzz(func(t *testing.T, data []byte) {
		e := engine.New(engine.Params{Points: 0x3f})
		var out engine.Now
		at := t0
		for ; len(data) >= 4; data = data[4:] {
			at += si.Instant(int8(data[2])) * 20_000
			s := points.Sample{Point: points.Point(data[0] % 8), Quality: points.Quality(data[1] % 3), At: at, Value: si.GaugePressure(data[3]) * 4000}
			e.Step(&engine.Input{Sample: s, Handle: vent.Handle{Known: data[1]&8 != 0, Pressed: data[1]&16 != 0, Since: at - si.Instant(data[2])*9e4}}, &out)
			if q := out.Readings[points.Vessel].Quality; q != points.Good && out.State != engine.Unknown {
				t.Fatalf("state %v from a vessel reading of quality %v", out.State, q)
			}
		}
	})
}

// A poll that is lost in the middle of a vent is a gap: the vent goes on being one.
func TestLostPollInAVent(t *testing.T) {
	r := newRig(0, points.Vessel)
	r.curve[points.Vessel] = ventCurve(20, 2.5)
	r.press()
	r.run(20*time.Second, nil)
	r.release()
	lost := 0
	for i := range 40 {
		r.run(100*time.Millisecond, nil)
		if i%7 == 3 {
			at := r.now.Add(-50 * time.Millisecond)
			r.e.Step(&engine.Input{Sample: points.Sample{Point: points.Vessel, Quality: points.NoReply, At: at}, Handle: r.handle}, &r.out)
			lost++
		}
		if r.out.State != engine.Venting {
			t.Fatalf("%v after %d lost polls, %.1f s after the release", r.out.State, lost, r.now.Sub(r.handle.Since).Seconds())
		}
	}
	r.e.Step(&engine.Input{Sample: points.Sample{Point: points.Vessel, Quality: points.OutOfRange, At: r.now, Value: 2e6}, Handle: r.handle}, &r.out)
	if r.out.State != engine.Unknown {
		t.Errorf("%v with a failed gauge", r.out.State)
	}
}
