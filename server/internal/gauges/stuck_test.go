package gauges_test

import (
	"math"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// Under flow a gauge that sticks is told within 3 s, at 5 to 50 Hz, whatever the point.
func TestStuckUnderFlow(t *testing.T) {
	for _, hz := range []float64{5, 10, 20, 50} {
		for _, p := range []points.Point{points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control} {
			for seed := range uint64(4) {
				r := newRig(t, hz, seed)
				r.run(2 * cycle)
				r.until(pressAt + 8)
				r.g[p].stuck = true
				r.run(3)
				r.only(of(p, gauges.Stuck))
				if f := r.w.Find(p, gauges.Stuck); f.Size != r.g[p].last || at(r.now).Sub(f.Since).Seconds() > 3 {
					t.Errorf("%v at %g Hz: %+v", p, hz, f)
				}
				if r.w.Fault() != (p == points.Vessel) {
					t.Errorf("%v: fault of the vessel: %v", p, r.w.Fault())
				}
				r.g[p].stuck = false
				r.run(3)
				r.only()
			}
		}
	}
}

// Stuck through a vent or a charge: another point moves, this one does not, to the last digit. That tells coarse gauges
// too, of which no noise is known, and such as were stuck from the first reading on.
func TestStuckWhileOthersMove(t *testing.T) {
	for _, from := range []float64{pressAt - 2, releaseAt - 2} {
		for seed := range uint64(4) {
			r := newRig(t, 10, seed)
			for p := range r.g {
				r.g[p].noise, r.g[p].quantum = 100, 1400
			}
			if from > pressAt {
				r.until(from)
			}
			r.g[points.Vessel].stuck = true
			r.until(from + 2 + 3)
			r.only(of(points.Vessel, gauges.Stuck))
		}
	}
}

// While the vessel fills slowly, hose and nozzle stand at what the push line gives them: coarse and quiet gauges do not move.
func TestStillInCharge(t *testing.T) {
	r := newRig(t, 10, 3)
	for p := range r.g {
		r.g[p].noise, r.g[p].quantum = 60, 1400
	}
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if s >= pressAt+0.5 && s < releaseAt {
			p[points.Vessel] = min(p[points.Vessel], 50e3*(s-pressAt))
			p[points.Hose], p[points.Nozzle] = 440e3, 410e3
		}
		return p
	}
	r.run(4 * cycle)
	r.only()
}

// At rest silence says nothing, however long; of a pot that holds its pressure the vessel stands still by design.
func TestSilenceAtRest(t *testing.T) {
	r := newRig(t, 10, 1)
	r.run(2 * cycle)
	r.until(releaseAt + 10)
	for p := range r.g {
		r.g[p].stuck = true
	}
	rest(r, 400)
	r.only()

	r = newRig(t, 10, 2)
	r.pot.HoldsPressure = true
	r.restart()
	r.g[points.Vessel] = gauge{noise: 100, quantum: 1400, shows: points.Vessel}
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if p[points.Vessel] = 674e3; s > releaseAt {
			p[points.Hose], p[points.Nozzle] = 0, 0
		}
		return p
	}
	r.run(6 * cycle)
	r.only()
}

// wander is truth with a supply that goes up and down as a compressor loads and unloads, and all with it.
func wander(s float64) [points.Count]float64 {
	p := truth(s)
	wave := 20e3 * math.Sin(2*math.Pi*s/7)
	for _, pt := range airs {
		if p[pt] > 100e3 {
			p[pt] += wave
		}
	}
	return p
}

// Gauges whose noise is less than their digits, and whose readings move with the pressure: told once another point has
// moved, hose and nozzle also when they stuck at nothing. A hose that goes to nothing under flow, as the choke is shut and
// the metering valve blocked, is not stuck.
func TestStuckWithoutNoise(t *testing.T) {
	for _, p := range airs {
		for _, from := range []float64{pressAt - 2, pressAt + 8} {
			r := newRig(t, 10, 6)
			r.world = wander
			for pt := range r.g {
				r.g[pt].noise, r.g[pt].quantum = 60, 160
			}
			r.run(2 * cycle)
			r.until(from)
			r.only()
			r.g[p].stuck = true
			r.run(6)
			r.only(of(p, gauges.Stuck))
		}
	}
	r := newRig(t, 10, 6)
	shut := false
	r.world = func(s float64) [points.Count]float64 {
		p := wander(s)
		if shut && s > pressAt+8 && s < pressAt+14 {
			p[points.Hose], p[points.Nozzle] = 0, 0
		}
		return p
	}
	for pt := range r.g {
		r.g[pt].noise, r.g[pt].quantum = 20, 160
	}
	r.run(2 * cycle)
	shut = true
	var seen gauges.Seen
	r.each = func(points.Sample, vent.Handle) {
		r.w.Tell(&seen, func(p points.Point, k gauges.Kind, f gauges.Finding) {
			t.Errorf("at %.1f s: %v of %v: %+v", r.now, k, p, f)
		})
	}
	r.run(2 * cycle)
}
