package vent_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// controlled plays the rig with a control point that is read every so often, in samples, and shows the handle then.
func (r *ventRig) controlled(d time.Duration, every int, pressed bool, each func()) {
	n := 0
	r.run(d, func() {
		if n++; n%every == 0 {
			r.handle = vent.Handle{Known: true, Pressed: pressed, Since: r.at}
			r.w.Step(points.Sample{Point: points.Control, Quality: points.Good, At: r.at, Pressed: pressed}, r.handle)
		}
		if each != nil {
			each()
		}
	})
}

// A press whose control reading comes 1.2 s late, as on a starved line, is no vessel that creeps and no vent that is slow: nothing begins
// that rests on the release before.
func TestLateControlReading(t *testing.T) {
	for _, after := range []time.Duration{8 * time.Second, 2 * time.Second} { // after the release: when the vessel is down, and in the vent
		r := newVentRig(watched(emptyVent()), 3)
		r.controlled(2*time.Second, 1, true, nil)
		r.released = 0
		r.controlled(after, 1, false, nil)
		// The vessel fills, and the hose blows; of the control point nothing comes.
		r.released = -1
		late := func() {
			r.p = min(790e3, r.p+60e3)
			at := r.at
			r.w.Step(points.Sample{Point: points.Hose, Quality: points.Good, At: at, Value: si.GaugePressure(r.p - ambient)}, r.handle)
			for _, c := range []vent.Condition{vent.VentSlow, vent.VesselHeld, vent.PressureCreep, vent.StopSlow} {
				if f := r.w.Find(c); f.On {
					t.Fatalf("%v after the release the press is taken for %v: %+v", after, c, f)
				}
			}
		}
		r.run(1200*time.Millisecond, late)
		r.controlled(10*time.Second, 1, true, late)
	}
}

// A control point that is read once a second, among vessel readings ten times a second, makes the finding of a shut exhaust late by no more than
// that second, and misses none.
func TestSlowControlPoint(t *testing.T) {
	for seed := range some(60) {
		at := [2]float64{math.Inf(1), math.Inf(1)}
		for i, every := range []int{1, 10} {
			r := newVentRig(watched(emptyVent()), seed)
			r.nozzle *= 0.5
			r.open = []float64{0, 0.1}[seed%2]
			r.controlled(2*time.Second, 1, true, nil)
			r.released = 0
			r.controlled(100*time.Millisecond, 1, false, nil)
			r.controlled(10*time.Second, every, false, func() {
				if r.w.Find(vent.VentSlow).On && math.IsInf(at[i], 1) {
					at[i] = r.released
				}
			})
		}
		if !(at[1] <= at[0]+1) {
			t.Errorf("seed %d: found %.1f s after the release, with a control point read as often as the vessel %.1f s", seed, at[1], at[0])
		}
	}
}

// A control point that dies with the release takes nothing from what is found of the vessel: an exhaust that stays shut is found some seconds
// later, by the vessel alone.
func TestControlDiesInAVent(t *testing.T) {
	for seed := range some(20) {
		r := newVentRig(watched(emptyVent()), seed)
		r.nozzle *= 0.5
		r.open = 0
		r.controlled(2*time.Second, 1, true, nil)
		r.released = 0
		r.controlled(200*time.Millisecond, 1, false, nil)
		at := math.Inf(1)
		r.run(5*time.Second, func() {
			if r.released > 1.5 {
				r.handle = vent.Handle{}
			}
			if r.w.Find(vent.VentSlow).On && math.IsInf(at, 1) {
				at = r.released
			}
		})
		if at > 2.6 {
			t.Errorf("seed %d: found %.1f s after the release", seed, at)
		}
	}
}
