package gauges_test

import (
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

var t0 = si.InstantOf(time.Date(2026, 9, 21, 6, 0, 0, 0, time.UTC))

const (
	pressAt   = 5.0  // s in a cycle
	releaseAt = 25.0 //
	cycle     = 45.0 //
	curveStep = 0.02 // s
)

// curves are the vessel's gauge pressure after the press and after the release, in steps of curveStep: 100 litres that a
// choked inlet of ISO 6358 fills from 675 kPa, and an exhaust empties, the air at constant temperature (a full pot: the
// grit holds the heat).
var curves = sync.OnceValue(func() (c [2][]float64) {
	const ambient = si.StandardAtmosphere
	inlet := airflow.Restriction{C: 5e-7, B: 0.3, M: airflow.UsualIndex}
	exhaust := airflow.Restriction{C: 6e-7, B: 0.3, M: airflow.UsualIndex}
	for i := range 1200 {
		after := time.Duration(float64(i) * curveStep * float64(time.Second))
		up, err := inlet.Charged(airflow.Charge{Volume: 0.1, From: ambient, To: ambient, Supply: ambient + 675e3, Temperature: 293.15, SupplyTemperature: 293.15}, airflow.Isothermal, after)
		if err != nil {
			panic(err)
		}
		down, err := exhaust.Vented(airflow.Blowdown{Volume: 0.1, From: ambient + 674e3, To: ambient, Ambient: ambient, Temperature: 293.15}, airflow.Isothermal, after)
		if err != nil {
			panic(err)
		}
		c[0] = append(c[0], float64(up.Pressure-ambient))
		c[1] = append(c[1], float64(down.Pressure-ambient))
	}
	return c
})

func vesselAfter(which int, s float64) float64 {
	c := curves()[which]
	x := s / curveStep
	i := int(x)
	if i >= len(c)-1 {
		return c[len(c)-1]
	}
	return c[i] + (x-float64(i))*(c[i+1]-c[i])
}

// truth is the gauge pressure at each point, s after the start of a cycle: the hose, fed by the push line, is up long before
// the vessel; the nozzle follows the hose; after the release both empty with the vessel.
func truth(s float64) (p [points.Count]float64) {
	p[points.Supply], p[points.Separator] = 760e3, 760e3
	switch {
	case s < pressAt:
	case s < releaseAt:
		v := vesselAfter(0, s-pressAt)
		blow := 1 - math.Exp(-(s-pressAt)/0.15)
		p[points.Supply] = 760e3 - 60e3*blow
		p[points.Separator] = 760e3 - blow*(160e3-85e3*v/675e3)
		p[points.Vessel] = v
		p[points.Hose] = max(0.985*v, 440e3*blow)
		p[points.Nozzle] = 0.93 * max(0.985*v, 440e3*(1-math.Exp(-(s-pressAt)/0.25)))
		p[points.Control] = 690e3
	default:
		v := vesselAfter(1, s-releaseAt)
		p[points.Vessel], p[points.Hose], p[points.Nozzle] = v, 0.995*v, 0.95*v
	}
	return p
}

// A gauge is what is between the pressure and the reading.
type gauge struct {
	noise   float64 // standard deviation, Pa
	quantum float64 // Pa; 0: none
	lag     float64 // time constant, s
	offset  float64 // Pa
	span    float64 // share of the reading
	stuck   bool
	hold    int // readings for which the output stays: polled more often than it measures
	out     bool
	shows   points.Point

	follows, last, pressure float64
	at                      float64
	n                       int
}

// A rig plays a pot to a watch.
type rig struct {
	t     *testing.T
	w     *gauges.Watch
	pot   vent.Pot
	rng   *rand.Rand
	hz    float64
	now   float64 // s since t0
	g     [points.Count]gauge
	world func(s float64) [points.Count]float64 // s in the cycle
	each  func(s points.Sample, h vent.Handle)  // beside the watch; may be nil
	late  float64                               // s by which the handle is told late
	wrong bool                                  // it is told the wrong way round
}

func newRig(t *testing.T, hz float64, seed uint64, set ...points.Point) *rig {
	t.Helper()
	if len(set) == 0 {
		all := points.All()
		set = all[:]
	}
	r := &rig{t: t, hz: hz, rng: rand.New(rand.NewPCG(seed, 5)), world: truth,
		pot: vent.Pot{Name: "alder", Points: points.SetOf(set...), Rated: 150 * si.PSI, Target: 100 * si.PSI, Volume: 0.1}}
	for i := range r.g {
		r.g[i] = gauge{noise: 700, quantum: 70, shows: points.Point(i)}
		r.pot.Gauges[i] = vent.Gauge{Hi: 200 * si.PSI, ZeroError: 0.25 * si.PSI, SpanError: 0.002}
	}
	r.restart()
	return r
}

// restart gives the rig a new watch, after a change of the pot.
func (r *rig) restart() {
	p := gauges.Params{Pot: r.pot}
	if r.hz < 5 {
		p.Period = time.Duration(float64(time.Second) / r.hz)
	}
	r.w = gauges.New(p)
}

func (g *gauge) read(s, p float64, rng *rand.Rand) float64 {
	if g.lag == 0 || g.at == 0 {
		g.follows = p
	} else {
		// The answer of a first-order lag to a straight line from the last pressure to this one.
		slope := (p - g.pressure) / (s - g.at)
		g.follows = p - slope*g.lag + (g.follows-g.pressure+slope*g.lag)*math.Exp(-(s-g.at)/g.lag)
	}
	g.at, g.pressure = s, p
	noise := g.noise * rng.NormFloat64()
	g.n++
	if g.stuck || g.hold > 1 && g.n%g.hold != 0 {
		return g.last
	}
	v := g.follows*(1+g.span) + g.offset + noise
	if g.quantum > 0 {
		v = math.Round(v/g.quantum) * g.quantum
	}
	g.last = v
	return v
}

// run plays so many seconds.
func (r *rig) run(seconds float64) {
	for end := r.now + seconds; r.now < end-1e-9; r.now += 1 / r.hz {
		s := math.Mod(r.now, cycle)
		p := r.world(s)
		h := vent.Handle{Known: true, Pressed: (s >= pressAt+r.late && s < releaseAt+r.late) != r.wrong}
		switch begin := r.now - s; {
		case r.late != 0 || r.wrong: // nobody knows
		case h.Pressed:
			h.Since = at(begin + pressAt)
		case s >= releaseAt:
			h.Since = at(begin + releaseAt)
		case begin > 0:
			h.Since = at(begin - cycle + releaseAt)
		}
		for _, pt := range points.All() {
			g := &r.g[pt]
			q := points.Good
			if g.out {
				q = points.OutOfRange
			}
			v := g.read(r.now, p[g.shows], r.rng)
			sample := points.Sample{Point: pt, Quality: q, Value: si.GaugePressure(v), At: at(r.now) + si.Instant(pt)*2000}
			r.w.Step(sample, h)
			if r.each != nil {
				r.each(sample, h)
			}
		}
	}
}

// until plays to a time of the cycle, in this cycle or the next.
func (r *rig) until(s float64) {
	d := s - math.Mod(r.now, cycle)
	if d <= 0 {
		d += cycle
	}
	r.run(d)
}

func at(s float64) si.Instant { return t0.Add(time.Duration(s * float64(time.Second))) }

// only wants nothing but the findings given.
func (r *rig) only(want ...[2]int) {
	r.t.Helper()
	for _, p := range points.All() {
		for k := range gauges.Kind(gauges.Kinds) {
			expected := false
			for _, w := range want {
				expected = expected || w == [2]int{int(p), int(k)}
			}
			if f := r.w.Find(p, k); f.On != expected {
				r.t.Errorf("at %.1f s: %s of %s found: %v (size %.4g), want %v", r.now, k, p, f.On, f.Size, expected)
			}
		}
	}
}

func of(p points.Point, k gauges.Kind) [2]int { return [2]int{int(p), int(k)} }
