package plant_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// An hour of presses, releases and refills: what came in less what went out is what is there, to a millionth of what
// went through; and the vessel's energy is what air carried in, wall and grit gave, less the work on the grit.
func TestHour(t *testing.T) {
	p := build(t, medium)
	vessel, hose := p.Grit()
	air0, grit0, energy0 := p.Air(), vessel+hose, p.Energy()
	lo, hi := p.Free(), p.Free()
	watch := func(time.Duration) { lo, hi = min(lo, p.Free()), max(hi, p.Free()) }
	for p.At() < time.Hour {
		run(p, 40*time.Second, plant.Input{Pressed: true}, watch)
		refill := si.Ratio(0)
		if p.Level() < 0.15 {
			refill = 1
		}
		run(p, 40*time.Second, plant.Input{Refill: refill}, watch)
	}
	l := p.Ledger()
	vessel, hose = p.Grit()
	if d := math.Abs(float64(p.Air()-air0-l.AirIn+l.AirOut)) / float64(l.AirIn); d > 1e-6 || l.AirIn < 100 {
		t.Errorf("%g of %v kg of air came from nowhere", d, l.AirIn)
	}
	if d := math.Abs(float64(vessel+hose-grit0-l.GritIn+l.GritOut)) / float64(l.GritOut); d > 1e-6 || l.GritOut < 100 || l.GritIn < 100 {
		t.Errorf("%g of %v kg of grit came from nowhere", d, l.GritOut)
	}
	d := p.Energy() - energy0 - l.Enthalpy - l.Heat + l.Work
	if share := math.Abs(d) / l.Enthalpy; share > 1e-4 {
		t.Errorf("%g J of energy came from nowhere, against %g J that went through", d, l.Enthalpy)
	}
	// Air enters at the weather's temperature and leaves colder, so the difference went into wall and grit. It is neither
	// colder than an adiabatic vent leaves it nor hotter than an adiabatic charge of an empty vessel (gamma times the air's).
	if !(l.Heat < 0) {
		t.Errorf("wall and grit gave %g J to air that leaves colder than it came", l.Heat)
	}
	within(t, "coldest K", float64(lo), 293*math.Pow(14.7/125, 0.4/1.4), 290)
	within(t, "hottest K", float64(hi), 295, 1.4*293)
	t.Logf("air %.0f kg, off by %.1g; grit %.0f kg, off by %.1g; heat %.0f kJ, energy off by %.1f J; free air %.0f to %.0f K", l.AirIn, float64(p.Air()-air0-l.AirIn+l.AirOut),
		l.GritOut, float64(vessel+hose-grit0-l.GritIn+l.GritOut), l.Heat/1e3, d, lo, hi)
}

// The polytropic exponent of a vent from 90 to 10 psi, from pressure and density of the vessel's air: about 1 with the
// vessel full of grit, about 1.2 with an empty one (a feasibility study's 1.05 to 1.2 from part full to empty), and the
// rebound of a vessel shut at zero that goes with it: 1 to 6 psi where there is free air.
func TestExponent(t *testing.T) {
	for _, tt := range []struct {
		s                          plant.Spec
		fill                       si.Ratio
		lo, hi, rebound0, rebound1 float64
	}{
		{large, 1, 0.995, 1.03, 0, 0.5}, {large, 0.5, 1.05, 1.15, 1, 6}, {large, 0.001, 1.15, 1.25, 1.5, 6},
		{medium, 1, 0.995, 1.03, 0, 0.5}, {medium, 0.001, 1.12, 1.25, 1, 6},
		{small, 1, 0.995, 1.03, 0, 0.5}, {small, 0.001, 1.1, 1.25, 1, 6},
	} {
		s := tt.s
		s.Fill = tt.fill
		p := build(t, s)
		charge := plant.Input{Pressed: true, Condition: plant.Condition{MeteringBlocked: true}}
		run(p, 90*time.Second, charge, nil)
		var p0, rho0, p1, rho1 float64
		run(p, 20*time.Second, plant.Input{}, func(time.Duration) {
			abs, rho := float64(p.Pressure(points.Vessel))+float64(p.Barometer()), float64(p.VesselAir())/float64(p.AirRoom())
			if v := psi(p, points.Vessel); v > 90 {
				p0, rho0 = abs, rho
			} else if v > 10 {
				p1, rho1 = abs, rho
			}
		})
		n := math.Log(p0/p1) / math.Log(rho0/rho1)
		within(t, "exponent", n, tt.lo, tt.hi)

		p = build(t, s)
		run(p, 90*time.Second, charge, nil)
		run(p, 90*time.Second, plant.Input{Condition: plant.Condition{Trap: 0.1 * si.PSI}}, nil)
		within(t, "rebound psi", psi(p, points.Vessel), tt.rebound0, tt.rebound1)
		t.Logf("%.0f L, %.0f %% full: exponent %.3f, rebound %.2f psi", float64(s.Volume)*1e3, float64(s.Fill)*100, n, psi(p, points.Vessel))
	}
}

// Vent time is linear in the level to first order, and a full pot's charge and vent are faster than an empty one's.
func TestLevelShows(t *testing.T) {
	took := func(fill si.Ratio) (rise, vent float64) {
		s := large
		s.Fill = fill
		p := build(t, s)
		in := plant.Input{Pressed: true, Condition: plant.Condition{MeteringBlocked: true}} // the level stays
		run(p, 40*time.Second, in, func(at time.Duration) {
			if psi(p, points.Vessel) < 70 {
				rise = at.Seconds()
			}
		})
		in.Pressed = false
		run(p, 20*time.Second, in, func(at time.Duration) {
			if psi(p, points.Vessel) > 7 {
				vent = at.Seconds()
			}
		})
		return rise, vent
	}
	r0, v0 := took(0.05)
	r5, v5 := took(0.5)
	r1, v1 := took(0.95)
	if !(r0 > 1.1*r5 && r5 > 1.1*r1) {
		t.Errorf("the charge takes %.2f s empty, %.2f half full, %.2f full", r0, r5, r1)
	}
	if !(v0 > 1.1*v5 && v5 > 1.1*v1) {
		t.Errorf("the vent takes %.2f s empty, %.2f half full, %.2f full", v0, v5, v1)
	}
	within(t, "half way of the vent", (v0-v5)/(v0-v1), 0.4, 0.6)
	t.Logf("charge %.2f, %.2f, %.2f s; vent %.2f, %.2f, %.2f s at 5, 50, 95 %%", r0, r5, r1, v0, v5, v1)
}
