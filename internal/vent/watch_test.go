package vent_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// ventRig plays a pot's vent by the published laws: an ISO 6358 exhaust (b 0.35) and a choked nozzle in parallel, the
// vessel's air polytropic with exponent n. It is a model of its own, written for this test.
type ventRig struct {
	w        *vent.Watch
	rng      *rand.Rand
	at       si.Instant
	volume   float64 // m3 of air
	exhaust  float64 // 1/s: conductance over the empty vessel's volume, choked
	nozzle   float64 // 1/s: the same
	n        float64
	noise    float64 // Pa
	lag      float64 // s from the release to the exhaust's first opening
	stroke   float64 // s
	open     float64 // share of the exhaust that opens
	stopAt   float64 // gauge Pa at which everything shuts; 0: never
	p        float64 // absolute Pa
	handle   vent.Handle
	period   time.Duration
	released float64 // s ago; negative: pressed
}

const ambient = 101325.0

func newVentRig(p vent.WatchParams, seed uint64) *ventRig {
	return &ventRig{w: vent.NewWatch(p), rng: rand.New(rand.NewPCG(seed, 3)), at: si.Instant(1_790_000_000_000_000), volume: 1,
		exhaust: 1 / 3.6, nozzle: 1 / 8.0, n: 1.1, noise: 1000, lag: 0.15, stroke: 0.25, open: 1, p: 690e3 + ambient,
		handle: vent.Handle{Known: true, Pressed: true}, period: 100 * time.Millisecond, released: -1}
}

func flowShare(b, r float64) float64 {
	if r <= b {
		return 1
	}
	if r >= 1 {
		return 0
	}
	x := (r - b) / (1 - b)
	return math.Sqrt(1 - x*x)
}

// run plays for a time and calls each after every sample.
func (r *ventRig) run(d time.Duration, each func()) {
	const dt = 0.001
	for end := r.at.Add(d); r.at < end; {
		for range int(r.period / time.Millisecond) {
			if r.released >= 0 {
				share := r.open * min(1, max(0, (r.released-r.lag)/r.stroke))
				out := r.exhaust*share*flowShare(0.35, ambient/r.p) + r.nozzle*flowShare(0.528, ambient/r.p)
				if r.released < r.lag {
					out = 0
				}
				if r.stopAt > 0 && r.p < r.stopAt+ambient {
					out = 0
				}
				r.p -= dt * r.n * r.p * out / r.volume
				r.released += dt
			}
		}
		r.at = r.at.Add(r.period)
		r.sample(points.Vessel, r.p-ambient)
		if each != nil {
			each()
		}
	}
}

func (r *ventRig) sample(p points.Point, gauge float64) {
	r.w.Step(points.Sample{Point: p, Quality: points.Good, At: r.at, Value: si.GaugePressure(gauge + r.noise*r.rng.NormFloat64())}, r.handle)
}

func (r *ventRig) release() { r.handle, r.released = vent.Handle{Known: true}, 0 }

func (r *ventRig) press() {
	r.handle, r.released, r.p = vent.Handle{Known: true, Pressed: true}, -1, 690e3+ambient
}

func watched(commissioned time.Duration) vent.WatchParams {
	p := vent.WatchParams{Nozzle: 3.0 / 8 * si.Inch, Pot: vent.Pot{Name: "alder", Volume: 3.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI,
		Points: points.SetOf(points.Supply, points.Vessel, points.Hose, points.Control)}}
	if commissioned > 0 {
		p.Pot.Commissioned = &vent.Vent{Time: commissioned, By: "yard foreman", At: "2026-01-05"}
	}
	return p
}

// emptyVent is how long the rig's empty pot takes to its first 3 s within the limit.
func emptyVent() time.Duration {
	r := newVentRig(watched(0), 1)
	r.noise = 0
	r.release()
	for r.p > 7e3+ambient {
		r.run(r.period, nil)
	}
	return time.Duration(r.released * float64(time.Second))
}

func TestHealthyVentsAreNotSlow(t *testing.T) {
	commissioned := emptyVent()
	for name, p := range map[string]vent.WatchParams{"nominal": watched(0), "commissioned": watched(commissioned)} {
		vents := 0
		for seed := range some(400) {
			r := newVentRig(p, seed)
			r.volume = 0.55 + 0.45*r.rng.Float64() // full to empty
			r.n = 1 + 0.2*(r.volume-0.55)/0.45     // a full pot vents isothermally
			r.noise = 2.8e3 * r.rng.Float64()      // up to 0.2 % of 200 psi
			r.p = ambient + 300e3 + 500e3*r.rng.Float64()
			r.lag = 0.05 + 0.25*r.rng.Float64()
			r.period = []time.Duration{20, 50, 100, 200}[r.rng.IntN(4)] * time.Millisecond
			r.run(time.Second, nil)
			r.release()
			r.run(20*time.Second, func() {
				for _, c := range []vent.Condition{vent.VentSlow, vent.VesselHeld, vent.PressureCreep, vent.StopSlow, vent.OverPressure} {
					if f := r.w.Find(c); f.On {
						t.Fatalf("%s, seed %d: %v %.2f s after the release: %+v", name, seed, c, r.released, f)
					}
				}
			})
			vents++
		}
		t.Logf("%s: %d healthy vents, no finding; 95 %% bound on the false-alarm rate %.2g", name, vents, 3/float64(vents))
	}
}

// An exhaust that stays shut, or opens to a tenth, while the nozzle bleeds or is plugged too.
func TestShutExhaustIsSlow(t *testing.T) {
	for _, c := range []struct {
		name         string
		commissioned time.Duration
		p50, p95     float64 // s from the release, as control shows it
	}{{"nominal", 0, 2.5, 4}, {"commissioned", emptyVent(), 1.2, 2.5}} {
		var took []float64
		for seed := range some(300) {
			r := newVentRig(watched(c.commissioned), seed)
			r.volume = 0.6 + 0.4*r.rng.Float64() // a full pot: slag of 100 lb/ft3, its grains of 220, to nine tenths
			r.open = []float64{0, 0.1}[r.rng.IntN(2)]
			r.noise = 2.8e3 * r.rng.Float64()
			r.nozzle *= []float64{0, 0.5, 0.7}[r.rng.IntN(3)] // plugged; laden, behind a hose; nearly clean
			r.lag = 0.05 + 0.25*r.rng.Float64()
			r.run(time.Second, nil)
			r.release()
			at := math.Inf(1)
			r.run(30*time.Second, func() {
				if f := r.w.Find(vent.VentSlow); f.On && math.IsInf(at, 1) {
					at = r.released
					if f.Rate >= f.Least || f.From < f.Now-10e3 {
						t.Errorf("%+v", f)
					}
				}
			})
			if math.IsInf(at, 1) && !r.w.Find(vent.VesselHeld).On {
				t.Errorf("%s, seed %d: missed: volume %.2f, nozzle %.3f, open %.1f", c.name, seed, r.volume, r.nozzle, r.open)
			}
			took = append(took, at)
		}
		p50, p95 := quantiles(took)
		t.Logf("%s: vent-slow %.2f s (p50), %.2f s (p95) after the release", c.name, p50, p95)
		if p50 > c.p50 || p95 > c.p95 {
			t.Errorf("%s: p50 %.2f s, p95 %.2f s; want %.1f and %.1f", c.name, p50, p95, c.p50, c.p95)
		}
	}
}

func quantiles(v []float64) (p50, p95 float64) {
	s := append([]float64{}, v...)
	for i := range s {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	return s[len(s)/2], s[len(s)*95/100]
}

// A switch shows the hand's release, and the valves move when the air in the pilot line behind it has let go: with 0.6 s of time constant
// from 100 to 20 psi that is 0.97 s. Until then the vessel cannot fall, and nothing is slow. A shut exhaust is found all the same, and no
// later than where a control line shows the release, as long as the nozzle bleeds.
func TestSwitchIsAheadOfItsPilotLine(t *testing.T) {
	p := watched(emptyVent())
	p.Pot.Electric = true
	for seed := range some(400) {
		r := newVentRig(p, seed)
		r.volume = 0.55 + 0.45*r.rng.Float64()
		r.n = 1 + 0.2*(r.volume-0.55)/0.45
		r.noise = 2.8e3 * r.rng.Float64()
		r.lag = 0.97 * r.rng.Float64()
		r.period = []time.Duration{20, 50, 100, 200}[r.rng.IntN(4)] * time.Millisecond
		r.run(time.Second, nil)
		r.release()
		r.run(20*time.Second, func() {
			if f := r.w.Find(vent.VentSlow); f.On {
				t.Fatalf("seed %d: slow %.2f s after the release, its valves moved after %.2f s: %+v", seed, r.released, r.lag, f)
			}
		})
	}
	var took [2][]float64
	for i, electric := range []bool{false, true} {
		p.Pot.Electric = electric
		for seed := range some(200) {
			r := newVentRig(p, seed)
			r.nozzle *= 0.7
			r.noise, r.lag = 2.8e3*r.rng.Float64(), 0.05+0.25*r.rng.Float64()
			r.open = []float64{0, 0.1}[r.rng.IntN(2)]
			r.run(time.Second, nil)
			took[i] = append(took[i], r.vents())
		}
	}
	line, _ := quantiles(took[0])
	middle, late := quantiles(took[1])
	t.Logf("shut: %.2f s (p50) behind a line; behind a switch %.2f s (p50), %.2f s (p95)", line, middle, late)
	if middle > line+0.1 || late > 1.3 {
		t.Errorf("shut: %.2f s (p50) behind a line; behind a switch %.2f s (p50), %.2f s (p95)", line, middle, late)
	}
}
