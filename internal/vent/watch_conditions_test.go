package vent_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func wantOn(t *testing.T, r *ventRig, on ...vent.Condition) {
	t.Helper()
	for c := range vent.Condition(vent.Conditions) {
		want := false
		for _, o := range on {
			want = want || o == c
		}
		if got := r.w.Find(c).On; got != want {
			t.Errorf("%v is %v, want %v: %+v", c, got, want, r.w.Find(c))
		}
	}
}

// A vent that stalls holds the vessel; it ends when the vessel comes down, or with the next press.
func TestVesselHeld(t *testing.T) {
	for _, stop := range []float64{9e3, 30e3, 200e3} {
		on := []vent.Condition{vent.VesselHeld}
		if stop > 150e3 {
			on = append(on, vent.VentSlow) // it stalls while it is still timed
		}
		r := newVentRig(watched(0), 1)
		r.stopAt = stop
		r.run(time.Second, nil)
		r.release()
		r.run(12*time.Second, nil)
		wantOn(t, r, on...)
		r.stopAt = 0
		r.run(20*time.Second, nil)
		wantOn(t, r)
		r.press()
		r.run(time.Second, nil)
		r.stopAt = stop
		r.release()
		r.run(14*time.Second, nil)
		wantOn(t, r, on...)
		r.press()
		r.run(time.Second, nil)
		wantOn(t, r)
	}
}

// Twice the commissioned vent is too long, however steadily the vessel still falls.
func TestVentTooLongIsHeld(t *testing.T) {
	p := watched(6 * time.Second)
	r := newVentRig(p, 1)
	r.exhaust, r.nozzle = 1/30.0, 0
	r.run(time.Second, nil)
	r.release()
	r.run(11*time.Second, nil)
	wantOn(t, r, vent.VentSlow)
	r.run(2*time.Second, nil)
	wantOn(t, r, vent.VentSlow, vent.VesselHeld)
	if f := r.w.Find(vent.VesselHeld); f.Limit != 7e3 || f.Most != 12*time.Second || f.After <= f.Most || f.After > f.Most+time.Second {
		t.Errorf("shown by %+v", f)
	}
}

// A vessel shut at zero warms up again by 1 to 6 psi (polytropic exponent 1.05 to 1.2); more is air coming in.
func TestReboundIsNoCreep(t *testing.T) {
	for _, c := range []struct {
		to   float64 // Pa
		over time.Duration
		want []vent.Condition
	}{
		{1 * si.PSI, 20 * time.Second, nil},
		{6 * si.PSI, 30 * time.Second, nil},
		{12 * si.PSI, 30 * time.Second, []vent.Condition{vent.PressureCreep}},
		{60 * si.PSI, 4 * time.Minute, []vent.Condition{vent.PressureCreep}},
	} {
		r := newVentRig(watched(0), 2)
		r.run(time.Second, nil)
		r.release()
		r.run(15*time.Second, nil)
		wantOn(t, r)
		steps := int(c.over / r.period)
		r.exhaust, r.nozzle = 0, 0
		for range steps {
			r.p += c.to / float64(steps)
			r.run(r.period, nil)
		}
		r.run(2*time.Second, nil)
		if !r.w.Find(vent.PressureCreep).On && len(c.want) > 0 || r.w.Find(vent.PressureCreep).On && len(c.want) == 0 {
			t.Errorf("a rise of %.0f kPa in %v: %+v", c.to/1e3, c.over, r.w.Find(vent.PressureCreep))
		}
		// The limit is over what it began at by more than the rebound of 5 kPa that always is.
		if f := r.w.Find(vent.PressureCreep); f.On && (f.Now <= f.Limit || f.Limit < f.From+5e3) {
			t.Errorf("shown by %+v", f)
		}
	}
	// An hour after the vent nothing rebounds: a slow leak of 2 psi is one.
	r := newVentRig(watched(0), 3)
	r.run(time.Second, nil)
	r.release()
	r.run(10*time.Minute, nil)
	r.exhaust, r.nozzle = 0, 0
	for range 600 {
		r.p += 2 * si.PSI / 600
		r.run(r.period, nil)
	}
	r.run(time.Minute, nil)
	if !r.w.Find(vent.PressureCreep).On {
		t.Error("a slow leak is not seen")
	}
}

func TestStopSlow(t *testing.T) {
	for _, slow := range []bool{false, true} {
		r := newVentRig(watched(0), 4)
		hose := func() {
			v := r.p - ambient
			if slow {
				v = 600e3
			}
			r.sample(points.Hose, v)
		}
		r.run(time.Second, hose)
		r.release()
		r.run(8*time.Second, hose)
		if got := r.w.Find(vent.StopSlow).On; got != slow {
			t.Errorf("hose that stays up: %v, found %v", slow, got)
		}
		if f := r.w.Find(vent.StopSlow); slow && (f.Point != points.Hose || math.Abs(float64(f.From-600e3)) > 5e3 || math.Abs(float64(f.Limit-f.From/3)) > 1 ||
			f.Now <= f.Limit || f.Most != 5*time.Second || f.After <= f.Most || f.After > f.Most+time.Second) {
			t.Errorf("shown by %+v", f)
		}
		slow = false
		r.run(8*time.Second, hose)
		if r.w.Find(vent.StopSlow).On {
			t.Error("it does not end")
		}
	}
}

func TestOverPressureAndSupply(t *testing.T) {
	r := newVentRig(watched(0), 5)
	supply := 720e3
	each := func() { r.sample(points.Supply, supply) }
	r.run(5*time.Second, each)
	wantOn(t, r)
	r.p = ambient + 151*si.PSI
	r.run(3*time.Second, each)
	wantOn(t, r, vent.OverPressure, vent.SupplyBelowVessel) // 151 psi is over its supply, too
	if f := r.w.Find(vent.OverPressure); f.Limit != 150*si.PSI || f.Now <= f.Limit || f.From != 0 {
		t.Errorf("over the rating: %+v", f)
	}
	if f := r.w.Find(vent.SupplyBelowVessel); f.Now <= f.Limit || math.Abs(float64(f.Limit-f.From-14e3)) > 1 {
		t.Errorf("over its supply: %+v", f)
	}
	r.p = ambient + 690e3
	r.run(2*time.Second, each)
	wantOn(t, r)
	supply = 600e3
	r.run(time.Second, each)
	wantOn(t, r)
	r.run(3*time.Second, each)
	wantOn(t, r, vent.SupplyBelowVessel)
	supply = 700e3
	r.run(time.Second, each)
	wantOn(t, r)
}

func TestPressOverlong(t *testing.T) {
	r := newVentRig(watched(0), 6)
	r.period = time.Second
	r.run(44*time.Minute, nil)
	wantOn(t, r)
	r.run(2*time.Minute, nil)
	wantOn(t, r, vent.PressOverlong)
	if f := r.w.Find(vent.PressOverlong); f.Most != 45*time.Minute || f.After <= f.Most || f.After > f.Most+2*time.Second {
		t.Errorf("shown by %+v", f)
	}
	r.release()
	r.run(2*time.Second, nil)
	if r.w.Find(vent.PressOverlong).On {
		t.Error("it does not end with the release")
	}
}

// A vent whose beginning was not seen cannot be timed, and a break ends what is watched.
func TestWatchBreak(t *testing.T) {
	r := newVentRig(watched(0), 7)
	r.run(time.Second, nil)
	r.release()
	r.open, r.nozzle = 0, 0
	r.run(time.Second, nil)
	r.w.Break(vent.ClockStep)
	r.run(10*time.Second, nil)
	wantOn(t, r)
}

// A vessel that holds pressure by design has no vent due at a release; one by hand that stalls is held.
func TestWatchOfAPotThatHoldsPressure(t *testing.T) {
	p := watched(0)
	p.Pot.HoldsPressure = true
	r := newVentRig(p, 8)
	r.run(time.Second, nil)
	r.exhaust, r.nozzle = 0, 0
	r.release()
	r.run(5*time.Minute, nil)
	wantOn(t, r)
	r.exhaust, r.stopAt = 1/4.0, 50e3
	r.run(15*time.Second, nil)
	wantOn(t, r, vent.VesselHeld)
	r.stopAt = 0
	r.run(15*time.Second, nil)
	wantOn(t, r)
}

func TestWatchAllocatesNothing(t *testing.T) {
	r := newVentRig(watched(0), 10)
	s := points.Sample{Point: points.Vessel, Quality: points.Good, At: r.at, Value: 690e3}
	h := vent.Handle{Known: true, Pressed: true}
	i := 0
	if n := testing.AllocsPerRun(1000, func() {
		i++
		h.Pressed = i%200 < 100
		s.At = s.At.Add(100 * time.Millisecond)
		r.w.Step(s, h)
	}); n != 0 {
		t.Errorf("%v allocations a sample", n)
	}
}

func BenchmarkWatch(b *testing.B) {
	w := vent.NewWatch(watched(0))
	s := points.Sample{Point: points.Vessel, Quality: points.Good, At: 1, Value: 690e3}
	h := vent.Handle{Known: true}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		h.Pressed = i%200 < 100
		s.At = s.At.Add(100 * time.Millisecond)
		w.Step(s, h)
	}
}

// A short press fills a nearly empty vessel fast, and its air is hot: with everything shut it cools, and its pressure
// falls by up to the ratio of the temperatures (at a constant volume p/T is constant). That is no blowdown that stalls.
func TestCoolingIsNoBlowdown(t *testing.T) {
	p := watched(0)
	p.Pot.HoldsPressure = true
	for _, hot := range []float64{300, 348, 390} { // K; filled without loss from 293 K it would be at most 410 K
		r := newVentRig(p, 3)
		r.exhaust, r.nozzle = 0, 0
		r.run(time.Second, nil)
		r.release()
		from := r.p
		for since := 0.0; since < 120; since += 0.1 {
			r.p = from * (293 + (hot-293)*math.Exp(-since/6)) / hot
			r.run(100*time.Millisecond, nil)
			wantOn(t, r)
		}
	}
}
