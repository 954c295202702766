package stroke_test

import (
	"bytes"
	"math"
	"math/rand"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/internal/airflow"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/stroke"
)

const (
	ambient = float64(si.StandardAtmosphere)
	began   = si.Instant(1_760_000_000_000_000)
)

var allPoints = points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)

// site is a pot whose vessel fills from the hose point through one restriction and empties through another, both as
// ISO 6358-1 has them, isothermal at its reference temperature.
type site struct {
	volume         float64 // that air fills
	inlet, exhaust airflow.Restriction
	supply         float64 // at the supply point, absolute; what lies between it and the hose point loses by flow squared
	separator      float64 // resistances: loss of the square of pressure over the square of the flow
	valve          float64
	noise          float64
	hoseOf         float64 // of the vessel's pressure, the hose point's in a vent; 0: all of it
	nozzleOf       float64 // of the hose point's, the nozzle's in a vent; 0: all of it

	timer   *stroke.Timer
	rng     *rand.Rand
	at      si.Instant
	vessel  float64
	pressed bool
	since   si.Instant
	presses []stroke.Press
	vents   []stroke.Vent
}

func newSite(has points.Set) *site {
	return &site{volume: 0.08, inlet: airflow.Restriction{C: 30 * airflow.DM3PerSecondBar, B: 0.25, M: 0.5},
		exhaust: airflow.Restriction{C: 20 * airflow.DM3PerSecondBar, B: 0.3, M: 0.5}, supply: 900e3,
		timer: stroke.New(stroke.Params{Points: has}), rng: rand.New(rand.NewSource(1)), at: began, vessel: ambient}
}

const kelvin = airflow.ReferenceTemperature

// flow is that of a restriction, kg/s.
func flow(r airflow.Restriction, up, down float64) float64 {
	q, err := r.MassFlow(si.AbsPressure(up), si.AbsPressure(down), kelvin)
	if err != nil {
		panic(err)
	}
	return float64(q)
}

// hose is the pressure at the hose point while the vessel fills: where what is lost before it and what the inlet passes
// agree, by halving.
func (s *site) hose(vessel float64) (hose, through float64) {
	if vessel >= s.supply {
		return s.supply, 0
	}
	lo, hi := vessel, s.supply
	for range 30 {
		mid := (lo + hi) / 2
		q := flow(s.inlet, mid, vessel)
		if s.supply*s.supply-(s.separator+s.valve)*q*q > mid*mid {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo, flow(s.inlet, lo, vessel)
}

// run plays for a time at a rate of readings.
func (s *site) run(pressed bool, d, every time.Duration) {
	if pressed != s.pressed {
		s.pressed, s.since = pressed, s.at
	}
	const step = 5 * time.Millisecond
	for end := s.at.Add(d); s.at < end; {
		for range every / step {
			if s.pressed {
				_, q := s.hose(s.vessel)
				s.vessel += q * airflow.GasConstant * float64(kelvin) / s.volume * step.Seconds()
			} else if s.vessel > ambient {
				s.vessel -= flow(s.exhaust, s.vessel, ambient) * airflow.GasConstant * float64(kelvin) / s.volume * step.Seconds()
			}
		}
		s.at = s.at.Add(every)
		s.read()
	}
}

func (s *site) read() {
	noisy := func(p float64) float64 { return p + s.noise*s.rng.NormFloat64() }
	hose, q := s.vessel, 0.0
	if s.pressed {
		hose, q = s.hose(s.vessel)
	} else if s.hoseOf > 0 {
		hose *= s.hoseOf
	}
	nozzle := hose
	if !s.pressed && s.nozzleOf > 0 {
		nozzle *= s.nozzleOf
	}
	p := [points.Count]float64{points.Supply: noisy(s.supply), points.Separator: noisy(math.Sqrt(s.supply*s.supply - s.separator*q*q)),
		points.Vessel: noisy(s.vessel), points.Hose: noisy(hose), points.Nozzle: noisy(nozzle)}
	news := s.timer.Vessel(s.at, si.AbsPressure(p[points.Vessel]), vent.Handle{Known: true, Pressed: s.pressed, Since: s.since})
	s.timer.Together(s.at, allPoints&^points.SetOf(points.Control), &p)
	if news&stroke.NewPress != 0 {
		s.presses = append(s.presses, s.timer.Press())
	}
	if news&stroke.NewVent != 0 {
		s.vents = append(s.vents, s.timer.Vent())
	}
}

// cycles are presses and vents.
func (s *site) cycles(n int, every time.Duration) {
	s.run(false, 2*time.Second, every)
	for range n {
		s.run(true, 15*time.Second, every)
		s.run(false, 12*time.Second, every)
	}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within*math.Abs(want) {
		t.Errorf("%s: %.5g, want %.5g within %.2g %%", what, got, want, 100*within)
	}
}

// constant is the time constant V p/(R T m) of a choked flow m into or out of a volume at the reference state: ISO 6358-1,
// m = rho0 C p, so it is V/(R T rho0 C). The reference density is the standard's.
func constant(volume float64, c airflow.Conductance) float64 {
	return volume / (airflow.GasConstant * float64(kelvin) * float64(airflow.ReferenceDensity) * float64(c))
}

// TestVent holds the times of a vent to the closed forms of ISO 6358 in package airflow, which is held to published
// figures there.
func TestVent(t *testing.T) {
	for _, every := range []time.Duration{20 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond} {
		s := newSite(allPoints)
		s.cycles(3, every)
		if len(s.vents) != 3 || len(s.presses) != 3 {
			t.Fatalf("%v: %d presses and %d vents, want 3 each", every, len(s.presses), len(s.vents))
		}
		v := s.vents[2]
		near(t, every.String()+" tau", v.Tau, constant(s.volume, s.exhaust.C), 0.01)
		working := float64(v.Working) - ambient
		want, err := s.exhaust.Isothermal(airflow.Blowdown{Volume: si.Volume(s.volume), Temperature: kelvin,
			From: si.AbsPressure(0.80*working + ambient), To: si.AbsPressure(0.07*working + ambient), Ambient: si.AbsPressure(ambient)})
		if err != nil {
			t.Fatal(err)
		}
		near(t, every.String()+" time", v.Time.Seconds(), want.Seconds(), 0.012)
		if v.Lag < -every || v.Lag > 2*every || v.Blast != 15*time.Second || v.Pressed {
			t.Errorf("%v: lag %v, blast %v, pressed %v", every, v.Lag, v.Blast, v.Pressed)
		}
		near(t, "from", float64(v.From), float64(v.Working), 0.01)
	}
}

// TestVentBesideSag: a long press that a sagging supply has not brought up is timed by what it came to, and tells nothing of the level; a short one, and one of
// which half is no longer choked, are not timed.
func TestVentBesideSag(t *testing.T) {
	for _, x := range []struct {
		supply float64
		press  time.Duration
		timed  bool
	}{{570e3, 30 * time.Second, true}, {570e3, 15 * time.Second, false}, {320e3, 30 * time.Second, false}} {
		s := newSite(allPoints)
		s.cycles(4, 100*time.Millisecond)
		s.supply = x.supply
		s.run(true, x.press, 100*time.Millisecond)
		s.run(false, 15*time.Second, 100*time.Millisecond)
		v := s.vents[len(s.vents)-1]
		if v.Time != 0 || (v.Tau > 0) != x.timed {
			t.Errorf("after %v at %g Pa: %+v", x.press, x.supply, v)
		}
		if x.timed {
			near(t, "time constant of the vent", v.Tau, constant(s.volume, s.exhaust.C), 0.01)
			if v.Lag < -100*time.Millisecond || v.Lag > 200*time.Millisecond {
				t.Errorf("lag %v of a vent that falls at once", v.Lag)
			}
		}
		s.supply = 900e3
		s.cycles(1, 100*time.Millisecond)
		v = s.vents[len(s.vents)-1]
		near(t, "the next vent", v.Tau, constant(s.volume, s.exhaust.C), 0.01)
		if v.Time == 0 {
			t.Errorf("the next vent is not timed to its end: %+v", v)
		}
	}
}

// Of a vent in which hose point and nozzle have shares of the vessel's pressure the losses of squares follow, and the fall is one over the time constant of
// ISO 6358-1, tau = V/(C rho0 R T0), as long as the exhaust is choked. Vents that are no vents, and those of a pot without these points, show none.
func TestBleed(t *testing.T) {
	for _, noise := range []float64{0, 1000} {
		s := newSite(allPoints)
		s.hoseOf, s.nozzleOf, s.noise = 0.97, 0.9, noise
		s.exhaust.B = 0.5
		for range 5 {
			s.run(true, 20*time.Second, 100*time.Millisecond)
			s.run(false, 30*time.Second, 100*time.Millisecond)
		}
		bleed, hose := (1/(0.97*0.97)-1)/(0.9*0.9), 1/(0.9*0.9)-1
		tau := constant(s.volume, s.exhaust.C)
		for i, v := range s.vents[1:] {
			within := 1e-3 + noise/2e5
			if math.Abs(v.Bleed-bleed) > within || math.Abs(v.Hose-hose) > within || math.Abs(v.Fall*tau-1) > 0.03+noise/5e4 || v.Bleeds < 10 {
				t.Errorf("noise %v, vent %d: %+v, want %.4f, %.4f and %.3f a second", noise, i, v, bleed, hose, 1/tau)
			}
			// From 80 to 25 % of a working pressure: the nozzle's mean square lies between.
			top := 0.97 * 0.9 * (0.8*(float64(v.Working)-ambient) + ambient)
			if o := float64(v.Over); o > top || o < top/3 {
				t.Errorf("over %v, at most %v", o, top)
			}
		}
	}
	s := newSite(allPoints)
	for range 4 {
		s.run(true, 20*time.Second, 100*time.Millisecond)
		s.run(false, 600*time.Millisecond, 100*time.Millisecond)
	}
	for _, v := range s.vents {
		if v.Bleeds != 0 && v.Bleeds < 5 || v.Bleeds == 0 && (v.Bleed != 0 || v.Hose != 0 || v.Fall != 0 || v.Over != 0) {
			t.Errorf("a short vent: %+v", v)
		}
	}
}

// TestFill holds the filling to the same, at two supplies, with nothing and with much before the hose point: it must not
// depend on either.
func TestFill(t *testing.T) {
	for _, c := range []struct {
		name             string
		supply           float64
		separator, valve float64
		every            time.Duration
	}{
		{"free", 900e3, 0, 0, 100 * time.Millisecond},
		{"free, slow readings", 900e3, 0, 0, 200 * time.Millisecond},
		{"low supply", 800e3, 0, 0, 100 * time.Millisecond},
		{"clogged", 900e3, 6e12, 12e12, 100 * time.Millisecond},
	} {
		s := newSite(allPoints)
		s.supply, s.separator, s.valve = c.supply, c.separator, c.valve
		s.cycles(3, c.every)
		p := s.presses[len(s.presses)-1]
		near(t, c.name+": fill", p.Fill, constant(s.volume, s.inlet.C), 0.02)
		if p.Lag < -c.every || p.Lag > 2*c.every || p.Rested != 12*time.Second {
			t.Errorf("%s: lag %v, rested %v", c.name, p.Lag, p.Rested)
		}
	}
}

// TestChoke holds the press losses to what they are in a choked flow m = rho0 C p of ISO 6358-1: r m^2/p^2 is r (rho0 C)^2,
// of the pressure p before the restriction, brought to the ratio 0.5 there by the standard's ellipse with b 0.25.
func TestChoke(t *testing.T) {
	const separator, valve = 2e12, 3e12
	for _, every := range []time.Duration{100 * time.Millisecond, 200 * time.Millisecond} {
		s := newSite(allPoints)
		s.separator, s.valve = separator, valve
		s.cycles(2, every)
		c := float64(airflow.ReferenceDensity) * float64(s.inlet.C)
		u := (0.5 - 0.25) / (1 - 0.25)
		p := s.presses[1]
		near(t, "separator", p.Separator, separator*c*c*(1-u*u), 0.01)
		near(t, "valve", p.Valve, valve*c*c*(1-u*u), 0.01)
		if p.Count < 3 {
			t.Errorf("%v: %d instants", every, p.Count)
		}
	}
}

// TestMissingPoints takes points away: what they tell is not known, and the rest is as before.
func TestMissingPoints(t *testing.T) {
	for _, c := range []struct {
		name             string
		without          []points.Point
		separator, valve bool
		feed             bool
	}{
		{"all", nil, true, true, true},
		{"no nozzle", []points.Point{points.Nozzle}, true, true, true},
		{"no hose", []points.Point{points.Hose, points.Nozzle}, true, false, true},
		{"no separator", []points.Point{points.Separator}, false, true, true},
		{"supply and vessel", []points.Point{points.Separator, points.Hose, points.Nozzle}, false, false, true},
		{"vessel and hose", []points.Point{points.Supply, points.Separator, points.Nozzle}, false, false, true},
		{"vessel", []points.Point{points.Supply, points.Separator, points.Hose, points.Nozzle}, false, false, false},
	} {
		has := allPoints
		for _, p := range c.without {
			has &^= points.SetOf(p)
		}
		s := newSite(has)
		s.separator, s.valve = 2e12, 3e12
		s.cycles(3, 100*time.Millisecond)
		p, v := s.presses[2], s.vents[2]
		if (p.Separator > 0) != c.separator || (p.Valve > 0) != c.valve || (p.Feed > 0) != c.feed {
			t.Errorf("%s: separator %.3f, valve %.3f, feed %.0f", c.name, p.Separator, p.Valve, p.Feed)
		}
		// Without a hose point what is lost before it counts as the inlet's.
		within := 0.02
		if !has.Has(points.Hose) {
			within = 0.35
		}
		near(t, c.name+": fill", p.Fill, constant(s.volume, s.inlet.C), within)
		near(t, c.name+": tau", v.Tau, constant(s.volume, s.exhaust.C), 0.01)
	}
}

// TestNoise holds the scatter of what a stroke tells to what gauges of 0.2 % of 200 psi leave.
func TestNoise(t *testing.T) {
	s := newSite(allPoints)
	s.separator, s.valve, s.noise = 2e12, 3e12, 0.002*200*si.PSI
	s.cycles(40, 100*time.Millisecond)
	spread := func(of func(i int) float64) float64 {
		var sum, squares, n float64
		for i := 5; i < 40; i++ {
			x := math.Log(of(i))
			sum, squares, n = sum+x, squares+x*x, n+1
		}
		return math.Sqrt(squares/n - sum*sum/n/n)
	}
	for _, c := range []struct {
		name string
		most float64
		of   func(i int) float64
	}{
		{"tau", 0.02, func(i int) float64 { return s.vents[i].Tau }},
		{"time", 0.02, func(i int) float64 { return s.vents[i].Time.Seconds() }},
		{"fill", 0.03, func(i int) float64 { return s.presses[i].Fill }},
		{"separator", 0.06, func(i int) float64 { return s.presses[i].Separator }},
		{"valve", 0.06, func(i int) float64 { return s.presses[i].Valve }},
	} {
		if sd := spread(c.of); sd > c.most || math.IsNaN(sd) || sd < 1e-4 {
			t.Errorf("%s scatters by %.2g %%, want under %.2g %%", c.name, 100*sd, 100*c.most)
		}
	}
}

// TestGap takes two seconds and more out of a vent and out of a press: nothing is timed across.
func TestGap(t *testing.T) {
	s := newSite(allPoints)
	s.cycles(2, 100*time.Millisecond)
	s.run(true, 15*time.Second, 100*time.Millisecond)
	n := len(s.vents)
	s.pressed, s.since = false, s.at
	s.vessel *= 0.5
	s.at = s.at.Add(3 * time.Second)
	s.run(false, 10*time.Second, 100*time.Millisecond)
	for _, v := range s.vents[n:] {
		if v.Tau != 0 || v.Time != 0 {
			t.Errorf("a vent that began in a gap was timed: %+v", v)
		}
	}
}

// TestShort releases before the vessel was up, presses before it was down, and never lets a press of a fallen handle begin.
func TestShort(t *testing.T) {
	const every = 100 * time.Millisecond
	s := newSite(allPoints)
	s.cycles(2, every)
	s.run(true, 700*time.Millisecond, every)
	s.run(false, 8*time.Second, every)
	if p, v := s.presses[2], s.vents[2]; p.Rise != 0 || p.Fill != 0 || v.Tau != 0 || v.Time != 0 {
		t.Errorf("a tap told of %+v, %+v", p, v)
	}
	s.run(true, 15*time.Second, every)
	s.run(false, 4500*time.Millisecond, every)
	s.run(true, 15*time.Second, every)
	if v := s.vents[3]; !v.Pressed || v.Tau == 0 || v.Time != 0 {
		t.Errorf("a vent cut short told of %+v", v)
	}
	s.timer.Vessel(s.at.Add(every), 5e5, vent.Handle{})
	s.run(true, 2*time.Second, every)
	// The press that goes on when the handle is lost is not told of, and does not begin again.
	if n := len(s.presses); n != 4 {
		t.Errorf("%d presses, want 4", n)
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), 1e30} {
		if news := s.timer.Vessel(s.at.Add(time.Hour), si.AbsPressure(v), vent.Handle{Known: true}); news != 0 {
			t.Errorf("%g Pa gave news", v)
		}
	}
}

// TestState saves and restores at any moment of any story: what follows is the same, bit for bit.
func TestState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newSite(allPoints)
		s.separator, s.valve, s.noise = 2e12, 3e12, 1000
		every := time.Duration(rapid.SampledFrom([]int{50, 100, 200}).Draw(t, "ms")) * time.Millisecond
		lengths := rapid.SliceOfN(rapid.IntRange(100, 16_000), 4, 8).Draw(t, "lengths")
		cut := rapid.IntRange(0, len(lengths)-1).Draw(t, "cut")
		for i, n := range lengths {
			s.run(i%2 == 1, time.Duration(n)*time.Millisecond, every)
			if i == cut {
				restored := stroke.New(stroke.Params{Points: allPoints})
				state := s.timer.AppendState(nil)
				if err := restored.SetState(state); err != nil {
					t.Fatal(err)
				}
				if again := restored.AppendState(nil); !bytes.Equal(again, state) {
					t.Fatalf("saved %x, restored and saved %x", state, again)
				}
				if len(state) > 130 {
					t.Fatalf("%d bytes", len(state))
				}
				other := *s
				other.timer, other.rng = restored, rand.New(rand.NewSource(2))
				s.rng = rand.New(rand.NewSource(2))
				other.presses, other.vents, s.presses, s.vents = nil, nil, nil, nil
				for k, n := range lengths[i+1:] {
					s.run((i+1+k)%2 == 1, time.Duration(n)*time.Millisecond, every)
					other.run((i+1+k)%2 == 1, time.Duration(n)*time.Millisecond, every)
				}
				if a, b := s.timer.AppendState(nil), other.timer.AppendState(nil); !bytes.Equal(a, b) {
					t.Fatalf("went on to %x, restored to %x", a, b)
				}
				if len(s.presses) != len(other.presses) || len(s.vents) != len(other.vents) {
					t.Fatalf("%d presses and %d vents, restored %d and %d", len(s.presses), len(s.vents), len(other.presses), len(other.vents))
				}
				for k := range s.presses {
					if s.presses[k] != other.presses[k] {
						t.Fatalf("press %+v, restored %+v", s.presses[k], other.presses[k])
					}
				}
				for k := range s.vents {
					if s.vents[k] != other.vents[k] {
						t.Fatalf("vent %+v, restored %+v", s.vents[k], other.vents[k])
					}
				}
				return
			}
		}
	})
}

// TestDamagedState refuses what is no state, and stays as it was.
func TestDamagedState(t *testing.T) {
	s := newSite(allPoints)
	s.cycles(2, 100*time.Millisecond)
	s.run(true, time.Second, 100*time.Millisecond)
	state := s.timer.AppendState(nil)
	for i := range state {
		if err := s.timer.SetState(state[:i]); err == nil {
			t.Fatalf("%d of %d bytes were taken", i, len(state))
		}
	}
	if got := s.timer.AppendState(nil); !bytes.Equal(got, state) {
		t.Fatal("a refused state left something behind")
	}
}

func TestAllocates(t *testing.T) {
	s := newSite(allPoints)
	s.cycles(2, 100*time.Millisecond)
	p := [points.Count]float64{9e5, 8.8e5, 4e5, 8e5, 8e5}
	at := s.at
	pressed := false
	since := s.since
	if n := testing.AllocsPerRun(2000, func() {
		at = at.Add(100 * time.Millisecond)
		if at.Sub(since) > 10*time.Second {
			pressed, since = !pressed, at
		}
		s.timer.Vessel(at, si.AbsPressure(p[points.Vessel]), vent.Handle{Known: true, Pressed: pressed, Since: since})
		s.timer.Together(at, allPoints, &p)
	}); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	s := newSite(allPoints)
	s.cycles(2, 100*time.Millisecond)
	p := [points.Count]float64{9e5, 8.8e5, 4e5, 8e5, 8e5}
	at := s.at
	for range b.N {
		at = at.Add(100 * time.Millisecond)
		s.timer.Vessel(at, si.AbsPressure(p[points.Vessel]), vent.Handle{Known: true, Pressed: true, Since: s.since})
		s.timer.Together(at, allPoints, &p)
	}
}
