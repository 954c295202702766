package gauges_test

import (
	"math"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

const halfPsi = 0.5 * si.PSI

// Half a psi of drift, up or down, is found and its size right; less is learned and shown.
func TestZeroDrift(t *testing.T) {
	for _, p := range []points.Point{points.Vessel, points.Hose, points.Nozzle, points.Control} {
		for _, off := range []float64{halfPsi, -halfPsi, -20e3 / 2} {
			r := newRig(t, 10, 1)
			r.run(2 * cycle)
			r.only()
			r.g[p].offset = off
			r.run(6 * cycle)
			r.only(of(p, gauges.ZeroDrift))
			if f := r.w.Find(p, gauges.ZeroDrift); f.Size*off < 0 || math.Abs(f.Size) < 3.3e3 {
				t.Errorf("%v: size %.0f, want %.0f", p, f.Size, off)
			}
			if o, ok := r.w.Offset(p); !ok || math.Abs(float64(o)) > 3.5e3 {
				t.Errorf("%v: offset %v, %v: learning stops at 3.5 kPa", p, o, ok)
			}
			r.g[p].offset = 0
			r.run(4 * cycle)
			r.only()
		}
	}
	for _, off := range []float64{2.4e3, -2.4e3} {
		r := newRig(t, 10, 2)
		r.g[points.Vessel].offset = off
		r.run(6 * cycle)
		r.only()
		if o, ok := r.w.Offset(points.Vessel); !ok || math.Abs(float64(o)-off) > 300 {
			t.Errorf("offset %v, %v, want %.0f Pa", o, ok, off)
		}
	}
}

// trapped leaves pressure in the points given at the end of each vent.
func trapped(pa float64, at ...points.Point) func(s float64) [points.Count]float64 {
	return func(s float64) [points.Count]float64 {
		p := truth(s)
		if s < pressAt || s >= releaseAt {
			for _, pt := range at {
				p[pt] = max(p[pt], pa)
			}
		}
		return p
	}
}

// What hose or nozzle show too is pressure. What the vessel alone shows may be drift or not: then it is said, up to R1's
// limit; over that it is pressure.
func TestTrapped(t *testing.T) {
	r := newRig(t, 10, 3)
	r.world = trapped(halfPsi+500, points.Vessel, points.Hose, points.Nozzle)
	r.run(6 * cycle)
	r.only()
	if o, ok := r.w.Offset(points.Vessel); !ok || math.Abs(float64(o)) > 600 {
		t.Errorf("offset %v, %v: pressure was learned", o, ok)
	}

	r = newRig(t, 10, 4)
	r.world = trapped(halfPsi+100, points.Vessel)
	r.run(6 * cycle)
	r.only(of(points.Vessel, gauges.ZeroDrift))
	if !r.w.Fault() {
		t.Error("no fault")
	}

	r = newRig(t, 10, 5)
	r.world = trapped(9e3, points.Vessel)
	r.run(6 * cycle)
	r.only()
	if o, ok := r.w.Offset(points.Vessel); ok {
		t.Errorf("%v was learned of a vessel over the limit", o)
	}
}

// A leaking inlet valve feeds hose and nozzle by the push line while the exhaust keeps the vessel lower: pressure, no drift.
func TestPushLineLeak(t *testing.T) {
	r := newRig(t, 10, 8)
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if s < pressAt || s >= releaseAt {
			p[points.Vessel] = max(p[points.Vessel], 2.2e3)
			p[points.Hose], p[points.Nozzle] = max(p[points.Hose], 6.2e3), max(p[points.Nozzle], 6e3)
		}
		return p
	}
	r.run(6 * cycle)
	r.only()
}

// Gauges that feel the barometer may be off by what the weather does to it, 3 kPa with the altitude alone (R1).
func TestBarometer(t *testing.T) {
	r := newRig(t, 10, 6)
	for p := range r.g {
		r.pot.Gauges[p].Kind = vent.KindAbsolute
		r.g[p].offset = -4.5e3
	}
	r.restart()
	r.run(6 * cycle)
	r.only()
	r.g[points.Vessel].offset = -8e3
	r.run(6 * cycle)
	r.only(of(points.Vessel, gauges.ZeroDrift))
}

// Supply and separator are judged only while both are without air.
func TestSupplyZero(t *testing.T) {
	r := newRig(t, 10, 7)
	r.run(3 * cycle)
	if o, ok := r.w.Offset(points.Supply); ok {
		t.Errorf("%v was learned of a supply with air on", o)
	}
	shut := truth(0) // the valve between them is shut
	shut[points.Separator] = 0
	r.world = func(float64) [points.Count]float64 { return shut }
	r.g[points.Separator].offset = 4e3
	r.until(releaseAt + 1)
	rest(r, 100)
	r.only()
	closing := 0.0
	r.world = func(float64) (p [points.Count]float64) { // the compressor is off, and the air leaks away
		closing += 0.1
		p[points.Supply] = 700e3 * math.Exp(-closing/20)
		p[points.Separator] = p[points.Supply]
		return p
	}
	rest(r, 400)
	r.only(of(points.Separator, gauges.ZeroDrift))
	if o, ok := r.w.Offset(points.Supply); !ok || math.Abs(float64(o)) > 300 {
		t.Errorf("supply %v, %v, want 0", o, ok)
	}
}

// rest plays seconds with the handle released.
func rest(r *rig, seconds float64) {
	for end := r.now + seconds; r.now < end; r.now += 1 / r.hz {
		p := r.world(0)
		for _, pt := range points.All() {
			r.w.Step(points.Sample{Point: pt, Quality: points.Good, Value: si.GaugePressure(r.g[pt].read(r.now, p[pt], r.rng)), At: at(r.now) + si.Instant(pt)*2000},
				vent.Handle{Known: true, Since: t0})
		}
	}
}

// haste lets the vessel down so slowly that it is at nothing for a few seconds only before the next press.
func haste(tau float64) func(s float64) [points.Count]float64 {
	return func(s float64) [points.Count]float64 {
		p := truth(s)
		since := s - releaseAt
		if s < pressAt {
			since = s - releaseAt + cycle
		}
		if s < pressAt || s >= releaseAt {
			for i := points.Vessel; i <= points.Nozzle; i++ {
				p[i] = max(0, 720e3*math.Exp(-since/tau)-30e3)
			}
		}
		return p
	}
}

// Where the rests are short and the readings noisy and few, a gauge that is far off is found by what the last rests show
// together, within a quarter of an hour.
func TestZeroDriftInShortRests(t *testing.T) {
	for _, noise := range []float64{300, 2760} {
		for _, off := range []float64{-6e3, 6e3} {
			r := newRig(t, 5, 12)
			r.world = haste(4.5)
			for p := range r.g {
				r.g[p].noise = noise
			}
			r.run(2 * cycle)
			r.only()
			r.g[points.Vessel].offset = off
			r.run(20 * cycle)
			r.only(of(points.Vessel, gauges.ZeroDrift))
			if f := r.w.Find(points.Vessel, gauges.ZeroDrift); f.Size*off < 0 || math.Abs(f.Size) < 3.4e3 {
				t.Errorf("noise %.0f: size %.0f, want %.0f", noise, f.Size, off)
			}
		}
	}
}

// The few readings of short rests find nothing by chance in gauges that are off by less.
func TestNoiseInShortRestsIsNoDrift(t *testing.T) {
	for seed := range uint64(40) {
		r := newRig(t, 5, 100+seed)
		r.world = haste(5.4)
		for p := range r.g {
			r.g[p].noise, r.g[p].offset = 2760, 2.6e3
			if seed%2 == 0 {
				r.g[p].offset = -2.6e3
			}
		}
		var seen gauges.Seen
		r.each = func(points.Sample, vent.Handle) {
			r.w.Tell(&seen, func(p points.Point, k gauges.Kind, f gauges.Finding) {
				t.Errorf("seed %d, at %.1f s: %s of %s: %+v", seed, r.now, k, p, f)
			})
		}
		r.run(10 * cycle)
	}
}

// What a gauge shows under nothing counts though the vessel still empties: there is no other time.
func TestUnderNothing(t *testing.T) {
	r := newRig(t, 10, 13, points.Supply, points.Vessel, points.Control)
	r.run(2 * cycle)
	r.only()
	r.world = haste(7.6) // at nothing for a second before the next press
	r.g[points.Vessel].offset = -14e3
	r.run(8 * cycle)
	r.only(of(points.Vessel, gauges.ZeroDrift))
	if f := r.w.Find(points.Vessel, gauges.ZeroDrift); f.Size > -3.4e3 || f.Size < -14e3 {
		t.Errorf("size %.0f, want no more than the gauge is off", f.Size)
	}
}
