package plant_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// blast presses for a minute under a condition and gives the mean of the last ten seconds, psi and kg/s.
func blast(t *testing.T, s plant.Spec, in plant.Input) (mean [points.Count]float64, air, grit float64) {
	t.Helper()
	p := build(t, s)
	in.Pressed = true
	n := 0.0
	run(p, time.Minute, in, func(at time.Duration) {
		if at <= 50*time.Second {
			return
		}
		for _, pt := range points.All() {
			mean[pt] += psi(p, pt)
		}
		a, g := p.NozzleFlow()
		air, grit, n = air+float64(a), grit+float64(g), n+1
	})
	for i := range mean {
		mean[i] /= n
	}
	return mean, air / n, grit / n
}

// A segment's law: half the conductance is four times the resistance (p1^2 - p2^2)/m^2, at whatever flow comes of it.
func TestResistances(t *testing.T) {
	resistance := func(c plant.Condition, a, b points.Point) (r float64) {
		c.MeteringBlocked = true // air alone
		p, air, _ := blast(t, medium, plant.Input{Condition: c})
		up, down := p[a]+14.6959, p[b]+14.6959
		return (up*up - down*down) / (air * air)
	}
	for _, tt := range []struct {
		name string
		c    plant.Condition
		a, b points.Point
	}{
		{"separator", plant.Condition{SeparatorLost: 0.5}, points.Supply, points.Separator},
		{"hose", plant.Condition{HoseKink: 0.5}, points.Hose, points.Nozzle},
		{"mixing", plant.Condition{ChokeShut: 0.75}, points.Vessel, points.Hose},
	} {
		got := resistance(tt.c, tt.a, tt.b) / resistance(plant.Condition{}, tt.a, tt.b)
		p := build(t, medium)
		r := p.Resistances(&tt.c)
		want := map[string]float64{"separator": r.Separator, "hose": r.Hose, "mixing": r.Mixing}[tt.name]
		within(t, tt.name+" over the truth's "+tt.name, got/want, 0.95, 1.05) // ISO 6358 is not quite the square law
		if want < 1.5 {
			t.Errorf("%s: the truth says %v", tt.name, want)
		}
	}
	p := build(t, medium)
	if r := p.Resistances(&plant.Condition{}); r != (plant.Resistances{Separator: 1, Valve: 1, Mixing: 1, Hose: 1, Exhaust: 1}) {
		t.Errorf("a healthy pot has %+v", r)
	}
	if r := p.Resistances(&plant.Condition{SeparatorLost: 1, InletStuck: plant.StuckShut, HoseKink: 1, ExhaustShut: 1}); !math.IsInf(r.Separator, 1) || !math.IsInf(r.Valve, 1) || !math.IsInf(r.Hose, 1) || r.Exhaust != 0 {
		t.Errorf("what is shut has %+v", r)
	}
}

// The pressure of the vessel over the tee helps the grit along as the root of its head and the assist (Beverloo's law
// with g made larger by the gradient), so that a few psi decide; under the tee's by half a psi nothing comes.
func TestMeteringAssist(t *testing.T) {
	_, air0, grit0 := blast(t, medium, plant.Input{})
	within(t, "loading", grit0/air0, 1.25, 1.4)
	var last float64
	for _, choke := range []si.Ratio{0, 0.4, 0.6, 0.8} {
		p, _, grit := blast(t, medium, plant.Input{Condition: plant.Condition{ChokeShut: choke}})
		if grit <= last {
			t.Errorf("choke %v shut: %v kg/s after %v", choke, grit, last)
		}
		last = grit
		t.Logf("choke %.0f %% shut: vessel over hose %.2f psi, grit %.0f %%", float64(choke)*100, p[points.Vessel]-p[points.Hose], 100*grit/grit0)
	}
	within(t, "grit with the choke four fifths shut", last/grit0, 1.7, 3)
	p, _, grit := blast(t, medium, plant.Input{Condition: plant.Condition{SealHole: 8e-3}})
	within(t, "vessel over hose with a leak of 8 mm", p[points.Vessel]-p[points.Hose], -5, 0)
	within(t, "grit", grit/grit0, 0, 0.05)
	for by, want := range map[si.Ratio]float64{-1: 0, -0.5: 0.5, 0.3: 1.3} {
		_, _, grit := blast(t, medium, plant.Input{Condition: plant.Condition{MeteringBy: by}})
		within(t, "grit with the metering changed", grit/grit0, want-0.08, want+0.08)
	}
}

// Published: a nozzle worn by 1/16 in takes (d + 1/16)^2/d^2 of the air, 44.0 % more for No. 5; at equal nozzle pressure.
func TestWear(t *testing.T) {
	p0, air0, _ := blast(t, medium, plant.Input{Condition: plant.Condition{MeteringBlocked: true}})
	p1, air1, _ := blast(t, medium, plant.Input{Condition: plant.Condition{MeteringBlocked: true, NozzleWorn: si.Inch / 16}})
	within(t, "air at equal pressure", air1/air0*(p0[points.Nozzle]+14.7)/(p1[points.Nozzle]+14.7), 1.435, 1.445)

	s := medium
	s.NozzleLife = 100
	p := build(t, s)
	run(p, 2*time.Minute, plant.Input{Pressed: true}, nil)
	within(t, "bore grown mm", float64(p.Bore(&plant.Condition{})-s.NozzleBore)*1e3, 0.999*1.5875*float64(p.Ledger().GritOut)/100, 1.001*1.5875*float64(p.Ledger().GritOut)/100)
}

func TestCompressor(t *testing.T) {
	s := medium
	s.Compressor.Capacity = 0.7
	_, airSag, _ := blast(t, s, plant.Input{})
	_, air, _ := blast(t, medium, plant.Input{})
	within(t, "air of a small compressor", airSag/air, 0.7, 0.85)

	s = medium
	s.Compressor = plant.Compressor{Cycles: true, Band: 15 * si.PSI}
	p := build(t, s)
	run(p, 30*time.Second, plant.Input{Pressed: true}, nil)
	lo, hi := math.Inf(1), math.Inf(-1)
	turns, up, last := 0, false, psi(p, points.Supply)
	run(p, 2*time.Minute, plant.Input{Pressed: true}, func(at time.Duration) {
		if at%(200*time.Millisecond) != 0 {
			return
		}
		v := psi(p, points.Supply)
		lo, hi = min(lo, v), max(hi, v)
		if (v > last) != up {
			turns, up = turns+1, v > last
		}
		last = v
	})
	within(t, "swing psi", hi-lo, 13, 20)
	within(t, "turns in two minutes", float64(turns), 6, 60)

	p0, _, _ := blast(t, medium, plant.Input{})
	p1, _, _ := blast(t, medium, plant.Input{Condition: plant.Condition{Consumer: 0.08}})
	within(t, "supply that another user takes psi", p0[points.Supply]-p1[points.Supply], 5, 60)
	p2, _, _ := blast(t, medium, plant.Input{Condition: plant.Condition{SetLow: 25 * si.PSI}})
	within(t, "supply that is set low psi", p0[points.Supply]-p2[points.Supply], 20, 26)
	p3, _, _ := blast(t, medium, plant.Input{Condition: plant.Condition{SupplyLost: 0.6}})
	within(t, "supply behind a small hose psi", p0[points.Supply]-p3[points.Supply], 2, 20)
	p4, _, _ := blast(t, medium, plant.Input{Condition: plant.Condition{CapacityLost: 0.6}})
	within(t, "supply of a tired compressor psi", p0[points.Supply]-p4[points.Supply], 5, 40)
}

// Gauge pressures are above the barometer of the moment, and a compressor in thin air delivers less.
func TestWeather(t *testing.T) {
	p := build(t, medium)
	run(p, time.Second, plant.Input{}, nil)
	front := plant.Weather{Barometer: 98000, Air: 303.15}
	run(p, 30*time.Second, plant.Input{Weather: front}, nil)
	within(t, "vessel at rest", psi(p, points.Vessel), -0.02, 0.02)
	if p.Barometer() != 98000 || p.Ambient() != 303.15 {
		t.Errorf("%v, %v", p.Barometer(), p.Ambient())
	}
	s := medium
	s.Compressor.Capacity = 0.8
	_, low, _ := blast(t, s, plant.Input{})
	_, high, _ := blast(t, s, plant.Input{Weather: plant.Weather{Barometer: 84556}}) // 1500 m
	within(t, "air at 1500 m", high/low, 0.8, 0.97)
}

func TestHoldsPressure(t *testing.T) {
	s := medium
	s.HoldsPressure = true
	p := build(t, s)
	run(p, 25*time.Second, plant.Input{Pressed: true}, nil)
	run(p, 10*time.Second, plant.Input{}, nil)
	before := psi(p, points.Vessel)
	within(t, "vessel after the release", before, 100, 120)
	within(t, "hose after the release", psi(p, points.Hose), -0.05, 0.1)
	run(p, 2*time.Minute, plant.Input{}, nil)
	within(t, "vessel two minutes later", psi(p, points.Vessel), before-2, before+2)
	run(p, 15*time.Second, plant.Input{Blowdown: true}, nil)
	within(t, "vessel after the blowdown", psi(p, points.Vessel), -0.05, 0.2)
	run(p, time.Minute, plant.Input{Blowdown: true, Refill: 1}, nil)
	within(t, "level", float64(p.Level()), 0.9999, 1)
}

// The valve of the hand vents any pot, with the exhaust shut too.
func TestBlowdown(t *testing.T) {
	p := build(t, medium)
	run(p, 20*time.Second, plant.Input{Pressed: true}, nil)
	in := plant.Input{Condition: plant.Condition{ExhaustShut: 1, NozzlePlugged: true}}
	run(p, 10*time.Second, in, nil)
	within(t, "vessel", psi(p, points.Vessel), 90, 125)
	in.Blowdown = true
	run(p, 20*time.Second, in, nil)
	within(t, "vessel", psi(p, points.Vessel), -0.05, 0.2)
}

func TestPartialRefill(t *testing.T) {
	s := small
	s.Fill, s.RefillTime = 0.2, 100*time.Second
	p := build(t, s)
	run(p, 20*time.Second, plant.Input{Refill: 0.6}, nil)
	within(t, "level on the way", float64(p.Level()), 0.38, 0.42)
	run(p, 60*time.Second, plant.Input{Refill: 0.6}, nil)
	within(t, "level", float64(p.Level()), 0.5999, 0.6001)
}

func TestBridge(t *testing.T) {
	p := build(t, medium)
	run(p, 30*time.Second, plant.Input{Pressed: true}, nil)
	bridged := plant.Input{Pressed: true, Condition: plant.Condition{Bridged: true}}
	run(p, 5*time.Second, bridged, nil)
	if p.Metered() != 0 {
		t.Errorf("%v kg/s over a bridge", p.Metered())
	}
	run(p, 5*time.Second, plant.Input{Pressed: true}, nil) // the event is over, the bridge stands
	if p.Metered() != 0 {
		t.Errorf("%v kg/s over a bridge that nobody brought down", p.Metered())
	}
	run(p, 10*time.Second, plant.Input{}, nil)
	run(p, 20*time.Second, plant.Input{Pressed: true}, nil)
	if p.Metered() <= 0 {
		t.Error("the bridge outlasts a release")
	}
}

func TestControlLine(t *testing.T) {
	rise := func(s plant.Spec, c plant.Condition) (at float64, top float64) {
		p := build(t, s)
		run(p, 20*time.Second, plant.Input{Pressed: true, Condition: c}, func(now time.Duration) {
			if at == 0 && psi(p, points.Vessel) > 20 {
				at = now.Seconds()
			}
		})
		return at, psi(p, points.Control)
	}
	healthy, top := rise(medium, plant.Condition{})
	slow, _ := rise(medium, plant.Condition{ControlSlow: 3 * time.Second})
	long := medium
	long.ControlLag = time.Second
	longer, _ := rise(long, plant.Condition{})
	_, leak := rise(medium, plant.Condition{ControlLeak: 0.4})
	cut, none := rise(medium, plant.Condition{ControlLeak: 1})
	within(t, "slow", slow-healthy, 0.5, 4)
	within(t, "long", longer-healthy, 0.1, 2)
	within(t, "leak", leak/top, 0.59, 0.61)
	if cut != 0 || none != 0 {
		t.Errorf("a pot with its control line cut comes up after %v s, with %v psi in the line", cut, none)
	}
}
