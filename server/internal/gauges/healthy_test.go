package gauges_test

import (
	"fmt"
	"math"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// Healthy pots: noise up to 0.2 % of the range (2.8 kPa), digits from none to far coarser than the noise, zeros within what
// is declared, points missing, 1 to 50 Hz, a start in the middle. Nothing may ever be found, not for a moment.
func TestHealthy(t *testing.T) {
	kinds := []struct{ noise, quantum, lag float64 }{{2760, 70, 0.05}, {280, 280, 0.01}, {700, 0, 0.03}, {0, 0, 0}, {150, 1400, 0.05}, {400, 500, 0.1}, {60, 690, 0.02}}
	sets := [][]points.Point{nil, {points.Vessel}, {points.Supply, points.Vessel, points.Control}, {points.Separator, points.Vessel, points.Hose, points.Control}, {points.Vessel, points.Hose}, {points.Supply, points.Separator, points.Vessel, points.Nozzle}}
	seed := uint64(0)
	for _, hz := range []float64{1, 2, 5, 10, 20, 50} {
		for k, kind := range kinds {
			seed++
			set := sets[int(seed)%len(sets)]
			t.Run(fmt.Sprintf("%gHz/gauge%d/points%d", hz, k, len(set)), func(t *testing.T) {
				r := newRig(t, hz, seed, set...)
				for p := range r.g {
					g := &r.g[p]
					g.noise, g.quantum, g.lag = kind.noise, kind.quantum, kind.lag
					g.offset, g.span = 1300*(2*r.rng.Float64()-1), 0.0015*(2*r.rng.Float64()-1)
					if seed%4 == 0 {
						g.hold = 4
					}
				}
				var seen gauges.Seen
				r.each = func(points.Sample, vent.Handle) {
					r.w.Tell(&seen, func(p points.Point, k gauges.Kind, f gauges.Finding) {
						t.Errorf("at %.1f s: %s of %s: %+v", r.now, k, p, f)
					})
				}
				r.now = math.Round(cycle*r.rng.Float64()*hz) / hz
				cycles := math.Ceil(40 / hz)
				r.run(max(3, min(8, cycles)) * cycle)
				r.now += 40 // silence
				r.run(max(2, min(4, cycles)) * cycle)
				if r.w.Fault() {
					t.Error("a fault of the vessel's gauge")
				}
			})
		}
	}
}

// A stream that surges moves hose and nozzle, and the vessel a little: that is no noise of gauges. The period is that of a
// sine, taken at many rates against the readings.
func TestSurging(t *testing.T) {
	for _, period := range []float64{0.23, 0.31, 0.7, 1.9} {
		r := newRig(t, 10, 3)
		n := 0.0
		r.world = func(s float64) [points.Count]float64 {
			p := truth(s)
			if s > pressAt+3 && s < releaseAt {
				n += 0.1
				wave := math.Sin(2 * math.Pi * n / period)
				p[points.Hose] += 40e3 * wave
				p[points.Nozzle] += 60e3 * wave
				p[points.Vessel] += 4e3 * wave
			}
			return p
		}
		r.run(10 * cycle)
		r.only()
	}
}

func TestWords(t *testing.T) {
	want := []string{"stuck", "slow-port", "zero-drift", "swapped", "out-of-range", "noisy"}
	for k := range gauges.Kind(gauges.Kinds) {
		if k.String() != want[k] || len(k.Says()) < 20 {
			t.Errorf("kind %d: %q, %q", k, k, k.Says())
		}
	}
}

// Samples of points that are not there, and older than the last, change nothing.
func TestForeignSamples(t *testing.T) {
	r := newRig(t, 10, 4, points.Vessel, points.Hose)
	r.run(cycle)
	before := string(r.w.AppendState(nil))
	h := vent.Handle{Known: true}
	r.w.Step(points.Sample{Point: points.Supply, Quality: points.Good, At: at(r.now + 1), Value: 1}, h)
	r.w.Step(points.Sample{Point: points.Count, Quality: points.Good, At: at(r.now + 1), Value: 1}, h)
	r.w.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: at(r.now - 1), Value: 9e5}, h)
	if string(r.w.AppendState(nil)) != before {
		t.Error("the state has changed")
	}
}

// A recorded zero is subtracted: 6 kPa off and recorded is no drift.
func TestRecordedZero(t *testing.T) {
	r := newRig(t, 10, 5)
	r.pot.Gauges[points.Vessel].Zero = &vent.Zero{Offset: 6 * si.KPa}
	r.restart()
	r.g[points.Vessel].offset = 6e3
	r.run(4 * cycle)
	r.only()
	if o, ok := r.w.Offset(points.Vessel); !ok || math.Abs(float64(o)) > 300 {
		t.Errorf("offset %v, %v, want 0", o, ok)
	}
}
